"""What a reading says, in another language.

Readings and stores hold English sentences (docs/reference/readings.md), also those made years ago.
They are built from few patterns; here is each of them once. A sentence is told in another language
by finding its pattern and telling what stands in its places. What fits no pattern stays English,
so that nothing is lost; a test holds the patterns against every sentence that the program makes.
"""

from __future__ import annotations

import re
from functools import lru_cache

from pipeline.language.speech import Speech, mark, mark_within

# Places: a name for which `WORDS` has entries is looked up there, `n` and its like are numbers,
# anything else is told as a sentence of its own or taken as it is.
NUMBERS = ("n", "m", "percent")

MOVES = (
    mark("no move suggested"),
    mark(
        "turn the {end} end of the beam toward {toward} by about {n} degrees "
        "({equipment}), or {limb}"
    ),
    mark("turn the {end} end of the beam toward {toward} by about {n} degrees, or {limb}"),
    mark("turn the {end} end of the beam toward {toward} ({equipment}), or {limb}"),
    mark("turn the {end} end of the beam toward {toward}, or {limb}"),
    mark("{limb} by about {n} degrees, which brings the {end} end of the beam toward {toward}"),
    mark("{limb}, which brings the {end} end of the beam toward {toward}"),
    mark("centre the knee: the ray's obliquity makes about {n} degrees of the {angle}"),
    mark("By the {which} reading ({percent} %): {rest}"),
    mark("{equipment}; with the tube in front, {plain}"),
    mark("turn the limb outward"),
    mark("turn the limb inward"),
    mark("straighten the knee or raise the heel"),
    mark("put a bolster under the knee"),
    mark("swing the foot outward, away from the midline"),
    mark("swing the foot inward, toward the midline"),
    mark("orbital turn of the C-arm"),
    mark("wig-wag of the C-arm"),
    mark("caudal tilt with the receptor in front"),
    mark("cranial tilt with the receptor in front"),
    mark("angle the ray cephalad"),
    mark("angle the ray caudad"),
    mark("move the knee into the central ray"),
)

CAUTIONS = (
    mark("The knee is bent by about {n} degrees: beyond {m} degrees an AP film cannot be judged."),
    mark(
        "Two readings of this film are possible; the moves are given for both, the likelier first."
    ),
    mark(
        "How the thigh lies is not known with the knee bent beyond {n} degrees: only the "
        "direction of a move is given."
    ),
    mark("{n} landmarks do not fit a knee's shape: read the angles with care."),
    mark(
        "the header says that the picture is a mirror image of the usual view; it was read "
        "and drawn as stored"
    ),
    mark("the header says {view} but the picture looks {other_view}; the picture was followed"),
    mark(
        "the header says {side} knee but the picture looks {other_side}; the header was "
        "followed, confirm the side by other means"
    ),
    mark("the header says both right and left; its side was not used"),
    mark("the header does not say what kind of DICOM object this is"),
    mark("the header contradicts itself on whether bone is bright; its display was used"),
    mark("the header's rescaling is no use and was left out"),
    mark("the header's modality table is no use and was left out"),
    mark("the header shows bone dark; it was read with bone bright"),
    mark("the pixels are not square, so no mm are given and angles are distorted"),
    mark("Pixel Spacing ({n} mm) does not fit Imager Pixel Spacing ({m} mm) and was not used"),
    mark(
        "Pixel Spacing is called calibrated but equals Imager Pixel Spacing; it was taken "
        "as uncorrected"
    ),
    mark("Pixel Spacing is given without saying where it was measured, so no mm are given"),
    mark(
        "the header's magnification factor ({n}) and distances ({m}) disagree; the factor was used"
    ),
    mark("{tag} is {n} by {m} mm, which cannot be, and was not used"),
    mark(
        "{tag} is {n} by {m} mm: the pixels are not square, so no mm are given and angles "
        "are distorted"
    ),
    mark("{tag} is {n}, which cannot be, and was not used"),
    mark("{n} % of the picture is in colour; its luminance was read"),
    mark("a colour picture: not a radiograph? its luminance was read"),
    mark("{n} pixels hold no number and were read as the darkest"),
    mark("{n} % of the pixels are far brighter or darker than all others and were clipped"),
    mark("the picture is blank"),
    mark(
        "the file asks viewers to turn or mirror the picture (orientation {n}); it was "
        "read as stored"
    ),
    mark("Estimated Radiographic Magnification Factor"),
    mark("Distance Source to Detector over to Patient"),
)

REFUSALS = (
    mark("no knee was found on the film"),
    mark("the film shows a projection other than AP or lateral, from which no angle is read"),
    mark("the header names a projection other than AP or lateral, from which no angle is read"),
    mark("the view is not certain enough ({view} with probability {n})"),
    mark(
        "on which side of the picture the knee's lateral side lies is not certain enough "
        "(probability {n})"
    ),
    mark("on which side of the picture the patella lies is not certain enough (probability {n})"),
    mark("the header says that the film shows another body part ({part})"),
    mark("the header says that the patient was younger than {n}: knees of children are not read"),
    mark(
        "what was found is hardly a knee as AP and lateral films show it (plausibility "
        "{n}, at least {m} is asked for): {reason}"
    ),
    mark("its landmarks can hardly be placed"),
    mark("how far it is bent can hardly be told"),
    mark("how it is turned can hardly be told"),
    mark("the view is in doubt"),
    mark("the view is neither AP nor lateral"),
    mark("the detector reads no angles itself"),
    mark("the detector returned nothing, not even that there is no knee"),
    mark("the landmarks are not numbers"),
    mark("the knee shape cannot be read"),
)

TARGETS = (
    mark("superomedial"),
    mark("superolateral"),
    mark("inferomedial"),
    mark("suprapatellar"),
    mark("the film is not square on"),
    mark("the film may not be square on: judge the view before using this proposal"),
    mark("its 90 % radius, the shift from misalignment included, exceeds {length}"),
    mark("{n} mm at the knee"),
    mark("{n} W"),
    mark("its height is not known: no partner AP film and no fitted knee"),
    mark("the cortices of the shaft were not found"),
    mark("the landmarks that place it were not found"),
    mark("{basis}; depth {n} to {m} %: common practice, no source"),
    mark("junction of femoral shaft and medial condyle: common practice"),
    mark("junction of femoral shaft and lateral condyle: common practice"),
    mark("junction of tibial shaft and medial condyle: common practice"),
    mark("midline of the shaft above the patella: common practice, no source"),
    mark("height of the adductor tubercle: Yasar 2015, Han 2019"),
    mark("distal part of the junction of shaft and lateral condyle: Han 2019"),
    mark("proximal part of the junction of shaft and medial condyle: Han 2019"),
    mark("common peroneal nerve zone"),
)

CRITERIA = (
    mark("patella centring"),
    mark("medial plateau gap"),
    mark("lateral plateau gap"),
    mark("condyle offset front to back"),
    mark("condyle offset up and down"),
    mark("fibular overlap"),
    mark("epicondyle symmetry"),
    mark("mm at the knee"),
    mark("% of W"),
    mark("% of C"),
    mark("common practice (positioning textbooks: patella centred)"),
    mark("common practice (positioning textbooks: head slightly overlapped)"),
    mark("common practice (positioning textbooks: condyles symmetric)"),
    mark("common practice (2 mm ideal, 5 mm usable); no published threshold found"),
    mark("joint-space imaging literature (Buckland-Wright; OARSI), from memory"),
)

SCALES = (
    mark("imager spacing and magnification"),
    mark("imager spacing and distances"),
    mark("imager spacing"),
    mark("calibrated, method not stated"),
    mark("calibrated by fiducial"),
    mark("calibrated by geometry"),
    mark("nominal scanned spacing"),
)

WORDS = {
    "end": (mark_within("end", "front"), mark_within("end", "lateral")),
    "toward": (
        mark_within("toward", "medial"),
        mark_within("toward", "lateral"),
        mark_within("toward", "anterior"),
        mark_within("toward", "posterior"),
        mark_within("toward", "the feet"),
        mark_within("toward", "the foot"),
        mark_within("toward", "the head"),
        mark_within("toward", "the central ray"),
    ),
    "which": (mark_within("which", "likelier"), mark_within("which", "other")),
    "angle": (mark_within("angle", "rotation"), mark_within("angle", "tilt")),
    "view": (
        mark_within("view", "AP"),
        mark_within("view", "lateral"),
        mark_within("view", "other"),
        mark_within("view", "none"),
    ),
    "side": (mark_within("side", "right"), mark_within("side", "left")),
}
"""Words by the place they stand in."""
_SAME = {"other_view": "view", "other_side": "side"}

PHRASES = (*MOVES, *CAUTIONS, *REFUSALS, *TARGETS, *CRITERIA, *SCALES)


def told(t: Speech, sentence: str) -> str:
    """A sentence of a reading in the language `t`; unchanged in English and where unknown."""
    if t.code == "en" or not sentence:
        return sentence
    lowered = sentence[0].lower() + sentence[1:]
    for form in dict.fromkeys((sentence, lowered)):
        for phrase, pattern in _patterns():
            found = pattern.fullmatch(form)
            if found:
                values = {name: _value(t, name, raw) for name, raw in found.groupdict().items()}
                said = t(phrase, **values)
                return said[0].upper() + said[1:] if sentence[0].isupper() else said
    return sentence


def known(sentence: str) -> bool:
    """Whether a sentence fits a pattern (first letter small or not)."""
    forms = (sentence, sentence[:1].lower() + sentence[1:])
    return any(pattern.fullmatch(form) for form in forms for _, pattern in _patterns())


def _value(t: Speech, name: str, raw: str) -> str:
    if name in NUMBERS:
        return t.number(float(raw), len(raw.partition(".")[2]))
    context = _SAME.get(name, name)
    if raw in WORDS.get(context, ()):
        return t.within(context, raw)
    return told(t, raw)


@lru_cache
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Each phrase with what it looks like when its places are filled."""
    return tuple((phrase, _pattern(phrase)) for phrase in PHRASES)


def _pattern(phrase: str) -> re.Pattern[str]:
    parts = re.split(r"\{(\w+)\}", phrase)
    made = "".join(_place(part) if k % 2 else re.escape(part) for k, part in enumerate(parts))
    return re.compile(made)


def _place(name: str) -> str:
    if name in NUMBERS:
        return rf"(?P<{name}>-?\d+(?:\.\d+)?)"
    words = WORDS.get(_SAME.get(name, name))
    inside = "|".join(map(re.escape, words)) if words else ".+?"
    return f"(?P<{name}>{inside})"

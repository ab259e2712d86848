"""Numbers and verdicts of an audit in words, in the report's language."""

from __future__ import annotations

from pipeline.audit.model import Dose, Hunt, Order, Step, Study, TurnMade
from pipeline.audit.order import moment
from pipeline.language import Speech, mark

VIEWS = {"AP": mark("AP"), "lateral": mark("Lateral"), "other": mark("Another view")}
SIDES = {"right": mark("right knee"), "left": mark("left knee")}
SQUARE = {"yes": mark("yes"), "no": mark("no"), "cannot tell": mark("cannot tell")}
VERDICTS = {
    "yes": mark("square"),
    "no": mark("not square"),
    "cannot tell": mark("cannot tell whether square"),
}
ORDERS = {
    "time": mark("In the order of their time of acquisition."),
    "time and number": mark(
        "In the order of their time of acquisition; where that is equal, of instance number and "
        "frame."
    ),
    "number": mark("In the order of instance number: no film states a time of day."),
    "name": mark("In the order of file names: no film states a time of day or a number."),
}
SEPARATIONS = {
    "condyle offset front to back": mark("lateral condyle behind the medial one"),
    "condyle offset up and down": mark("lateral condyle below the medial one"),
    "medial plateau gap": mark("medial plateau, front rim below the back one"),
    "lateral plateau gap": mark("lateral plateau, front rim below the back one"),
    "patella centring": mark("patella to the lateral side of the middle"),
}
UNITS = {
    "mm at the knee": mark("mm at the knee"),
    "% of W": mark("% of W"),
    "% of C": mark("% of C"),
}


SAID = {"not stated": mark("not stated"), "several": mark("several")}


def code(t: Speech, written: str | None) -> str:
    """An operator's code or a period."""
    return t(SAID.get(written or "not stated", "")) or str(written)


def share(t: Speech, probability: float | None) -> str:
    """A probability in per cent that claims no certainty."""
    percent = 100 * (probability or 0.0)
    if percent > 99:
        return t("more than 99 %")
    return t("{percent} %", percent=t.number(percent, 0))


def view_and_side(t: Speech, view: str, side: str | None) -> str:
    named = t(VIEWS.get(view, view))
    return f"{named}, {t(SIDES[side])}" if side in SIDES else named


def dose(t: Speech, asked: Dose) -> str:
    """A dose in Gy cm2; what is not stated is said to be so."""
    if asked.pictures == 0:
        return t("none")
    if asked.gy_cm2 is None:
        if asked.undivided:
            return t("not stated (only for a whole run)")
        return t("not stated")
    value = t("{value} Gy\u00b7cm\u00b2", value=t.number(asked.gy_cm2, 3))
    if asked.complete:
        return value
    return t(
        "at least {value} (stated for {stated} of {pictures})",
        value=value,
        stated=asked.stated,
        pictures=asked.pictures,
    )


def angle(t: Speech, value: float | None, span: tuple[float, float] | None) -> str:
    """Degrees with the 90 % interval."""
    if value is None or span is None:
        return "\u2013"
    low, high = (t.number(end, 1, signed=True) for end in span)
    return f"{t.number(value, 1, signed=True)} ({low} \u2026 {high})"


def clock(t: Speech, written: str | None) -> str:
    """The time of day of a film."""
    when = moment(written)
    return when.strftime("%H:%M:%S") if when is not None else t("not stated")


def order(t: Speech, asked: Order) -> str:
    """By what the pictures are ordered, and how many do not state it."""
    said = t(ORDERS[asked.by])
    if asked.left:
        said += " " + t.plural(
            "{n} picture does not state it and stands at the end.",
            "{n} pictures do not state it and stand at the end.",
            asked.left,
        )
    return said


def count_to_square(t: Speech, hunt: Hunt) -> str:
    """Films up to the first square one, with the range that holds it with 99 %."""
    low, high = hunt.exposures_range
    if hunt.exposures is None:
        return (
            t("did not become square")
            if low is None
            else t("likelier none ({low} or more)", low=low)
        )
    if low == high:
        return str(hunt.exposures)
    if high is None:
        return t("{n} ({low} or more)", n=hunt.exposures, low=low)
    return t("{n} ({low} to {high})", n=hunt.exposures, low=low, high=high)


def story(t: Speech, hunt: Hunt) -> str:
    """What happened with one view, in a sentence or three."""
    head = t.plural("{view}: {n} film", "{view}: {n} films", len(hunt.films), view=_named(t, hunt))
    if hunt.exposures is None:
        return head + t("; likelier than not none of them is square.")
    at = hunt.numbers[hunt.exposures - 1]
    said = head + t("; square on film {number}", number=at)
    low, high = hunt.exposures_range
    chance = share(t, hunt.first_chance)
    if high is None:
        said += t(" (chance {chance}; perhaps none is)", chance=chance)
    elif low is not None and low < high:
        said += t(
            " (chance {chance}; with 99 % on one of films {low} to {high})",
            chance=chance,
            low=hunt.numbers[low - 1],
            high=hunt.numbers[high - 1],
        )
    said += "."
    if hunt.exposures > 1:
        said += " " + t.plural(
            "{n} film went before it (dose: {dose}).",
            "{n} films went before it (dose: {dose}).",
            hunt.exposures - 1,
            dose=dose(t, hunt.before_dose),
        )
    if hunt.after:
        said += " " + t.plural(
            "{n} film of this view followed, which the view no longer needed (dose: {dose}).",
            "{n} films of this view followed, which the view no longer needed (dose: {dose}).",
            hunt.after,
            dose=dose(t, hunt.after_dose),
        )
    elif hunt.recognised:
        said += " " + t("It was the last of its view.")
    if hunt.after_instruments:
        said += " " + t.plural(
            "{n} later film shows instruments and is not counted.",
            "{n} later films show instruments and are not counted.",
            hunt.after_instruments,
        )
    if hunt.lost:
        said += " " + t.plural(
            "{n} picture in between gave no angle.",
            "{n} pictures in between gave no angle.",
            hunt.lost,
        )
    return said


def _named(t: Speech, hunt: Hunt) -> str:
    return view_and_side(t, hunt.view, hunt.side)


def pictures(t: Speech, study: Study) -> str:
    """How many pictures a study has, and how many runs among them."""
    said = t.plural("{n} picture", "{n} pictures", study.pictures)
    if study.runs:
        said += t.plural(", {n} run of several", ", {n} runs of several", study.runs)
    return said


# ---- moves -------------------------------------------------------------------------------------

ENDS = {"front": mark("front"), "lateral": mark("lateral")}
KINDS = {"orbital": mark("orbital"), "tilt": mark("tilt"), "wig-wag": mark("wig-wag")}
TOWARD = {
    "medial": mark("medial"),
    "lateral": mark("lateral"),
    "the feet": mark("the feet"),
    "the head": mark("the head"),
    "posterior": mark("posterior"),
    "anterior": mark("anterior"),
    "the foot": mark("the foot"),
}


def turn(t: Speech, made: TurnMade) -> str:
    """One turn with its interval."""
    words = made.words
    return t(
        "{kind}, {end} end toward {toward}: {degrees}\u00b0 \u00b1 {half}\u00b0",
        kind=t(KINDS[words.move]),
        end=t(ENDS[words.end]),
        toward=t(TOWARD[words.toward]),
        degrees=t.number(abs(made.degrees), 1),
        half=t.number(made.half_width, 1),
    )


def move(t: Speech, step: Step) -> str:
    """The move that was made: turns that are clear, else that there is none."""
    clear = [turn(t, made) for made in step.turns if made.clear]
    if clear:
        return "; ".join(clear)
    if step.source == "header":
        return t("none by the header")
    return t("no clear turn (within {half}\u00b0)", half=t.number(step.chief.half_width, 1))


BENT_DEG = 8.0
"""A change of the knee's bend that is worth a word (design value)."""


def how_known(t: Speech, step: Step) -> str:
    """From what the move is known, and whether the other witness agrees."""
    if step.source == "pose":
        said = t("from the change of pose: beam or limb")
        if not step.degrees_known:
            said += t("; the thigh's lie is not known, so the change of the angles themselves")
    elif step.agree:
        said = t("from the positioner's angles; the change of pose agrees")
    else:
        seen = [turn(t, made) for made in step.by_pose if made.clear]
        said = t(
            "from the positioner's angles; the change of pose disagrees: {turns}. The limb was "
            "moved, the beam in a way that the header does not hold, or the header or a reading "
            "is wrong.",
            turns="; ".join(seen) or t("no clear turn"),
        )
    if step.flexion_change is not None and abs(step.flexion_change) > BENT_DEG:
        change = t.number(step.flexion_change, 0, signed=True)
        said += " " + t("(The knee's bend changed by {change} degrees.)", change=change)
    for note in step.notes:
        said += f" ({t(note)})"
    return said

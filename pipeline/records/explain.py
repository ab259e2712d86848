"""`explanations/*.png`: why a reading says what it says.

The film around the knee with the fitted outlines, each landmark's ellipse of one standard deviation
in the colour of its bone, and beside it what decided: each angle by the landmarks alone, by the
network alone and by both, against the tolerance; the criteria; and how far to trust it all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.align.square import Z90, within
from pipeline.knee.film import Film
from pipeline.knee.landmarks import BY_NAME
from pipeline.knee.reading import Alignment, CriterionRead, Grounds, HypothesisRead, Reading
from pipeline.records import canvas as c
from pipeline.records.canvas import Canvas, Colour, text_width, wrapped
from pipeline.records.files import write_atomic
from pipeline.records.overlay import (
    FOOTER,
    VERDICTS,
    VIEWS,
    Window,
    depth_told,
    draw_caution,
    draw_tip,
    overlay_name,
    short_name,
    verdict_mark,
    windowed,
)

PANEL, MARGIN = 620, 26
SPANS_DEG = (15.0, 30.0)
"""Each angle is drawn from minus to plus the first that holds all of it, else the last; what lies
beyond that is an arrow at the edge."""
ROOM = 1.3
"""Side of the part shown, in sides of the knee's box."""
BONES: dict[str, Colour] = {
    "femur": c.SKY,
    "tibia": c.ORANGE,
    "fibula": c.VERMILION,
    "patella": c.GREEN,
}
ESTIMATORS = {"landmark_fit": "landmarks", "direct_regression": "network"}
USUAL = {"misfit": 1.2, "strain": 0.45, "contradiction": 2.0}
"""Up to here a sign is usual: 95 to 99 of 100 good synthetic films (482 of seeds from 300000)."""
SURE, DOUBTFUL = 0.98, 0.9
"""Plausibility from which nothing is remarked, and below which a knee is refused."""


@dataclass(frozen=True)
class ExplainWriter:
    """Draws, for each reading, a picture that says what it rests on.

    Attributes:
        size: side of the drawn part of the film, pixels.
        note: words to print at the top, e.g. that the film is invented.
    """

    size: int = 1100
    note: str = ""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        for reading in readings:
            name = overlay_name(film.source, film.frame, reading.knee.index)
            picture = explained(film, reading, size=self.size, note=self.note)
            write_atomic(out / "explanations" / name, picture.png())

    def finish(self, out: Path) -> None:
        """Nothing is left to do: every picture is complete when it is written."""


def explained(film: Film, reading: Reading, *, size: int = 1100, note: str = "") -> Canvas:
    """The picture of one reading."""
    window, grey = _part(film, reading, size)
    panel = _Panel(reading, note)
    rows = max(size, round(panel.y) + MARGIN) + FOOTER
    rgb = np.full((rows, size + PANEL, 3), c.DARK, np.uint8)
    picture = Canvas(np.repeat(grey[:, :, None], 3, axis=2))
    _draw_knee(picture, reading, window)
    rgb[:size, :size] = picture.rgb
    whole = Canvas(rgb)
    panel.draw(whole, size)
    draw_caution(whole)
    return whole


def _part(film: Film, reading: Reading, size: int) -> tuple[Window, NDArray[np.uint8]]:
    """The square part of the film around the knee, (size, size) grey levels; black beyond it."""
    x0, y0, x1, y1 = reading.knee.box or (0.0, 0.0, film.columns - 1.0, film.rows - 1.0)
    side = max(x1 - x0, y1 - y0) * (ROOM if reading.knee.box else 1.0)
    scale = size / max(side, 8.0)
    window = Window((x0 + x1 - side) / 2, (y0 + y1 - side) / 2, scale)
    low = np.clip(np.floor([window.x0, window.y0]), 0, [film.columns - 1, film.rows - 1])
    high = np.clip(np.ceil([window.x0 + side, window.y0 + side]), low + 1, film.pixels.shape[::-1])
    (left, top), (right, bottom) = low.astype(int), high.astype(int)
    part = film.pixels[top:bottom, left:right]
    if scale < 1:
        smaller = (max(round(part.shape[1] * scale), 1), max(round(part.shape[0] * scale), 1))
        resized = cv2.resize(part, smaller, interpolation=cv2.INTER_AREA)
    else:
        resized = part
    ratio = np.array(part.shape[::-1]) / np.array(resized.shape[::-1])
    # resized pixel centres lie at (i + 0.5) ratio - 0.5 of the part's
    linear = scale * ratio
    shift = window([(left - 0.5, top - 0.5)])[0] + 0.5 * linear
    matrix = np.array([[linear[0], 0.0, shift[0]], [0.0, linear[1], shift[1]]])
    drawn = cv2.warpAffine(
        windowed(np.asarray(resized, dtype=np.float32)),
        matrix,
        (size, size),
        flags=cv2.INTER_LINEAR,
    )
    return window, np.asarray(drawn, dtype=np.uint8)


# ---- over the film ----------------------------------------------------------------------------


def _draw_knee(picture: Canvas, reading: Reading, window: Window) -> None:
    for bone, polygon in reading.outline.items():
        colour = BONES.get(bone, c.WHITE)
        picture.line(window(polygon), tuple(round(0.25 * v) for v in colour), 4, closed=True)  # type: ignore[arg-type]
        picture.line(window(polygon), colour, 1, closed=True)
    shaded = Canvas(picture.rgb.copy())
    marks = []
    for landmark in reading.landmarks:
        if landmark.x is None or landmark.y is None or landmark.sd_major is None:
            continue
        (at,) = window([(landmark.x, landmark.y)])
        bone = BY_NAME[landmark.name].bone if landmark.name in BY_NAME else ""
        colour = BONES.get(bone, c.WHITE)
        axes = [max(sd * window.scale, 1.5) for sd in (landmark.sd_major, landmark.sd_minor or 0)]
        angle = landmark.sd_angle_deg or 0.0
        around = np.linspace(0, 2 * np.pi, 49)[:-1]
        turn = np.radians(angle)
        ring = np.stack([axes[0] * np.cos(around), axes[1] * np.sin(around)], axis=1)
        rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        shaded.fill(at + ring @ rotation, colour)
        marks.append((at, axes, angle, colour))
    cv2.addWeighted(shaded.rgb, 0.4, picture.rgb, 0.6, 0.0, dst=picture.rgb)
    for at, axes, angle, colour in marks:
        picture.ellipse(at, axes[0], axes[1], angle, colour, 1)
        picture.ellipse(at, 1.5, 1.5, 0, c.WHITE, 2)
    tips = [
        draw_tip(picture, window([each.tip])[0], number)
        for number, each in enumerate(reading.found.instruments, 1)
    ]
    picture.texts([*_condyle_words(reading, window), *tips], halo=True)


def _condyle_words(
    reading: Reading, window: Window
) -> list[tuple[tuple[float, float], str, int, Colour]]:
    """On a lateral film, which condyle is which and how probably, beside the posterior extremes."""
    if reading.view.name != "lateral" or reading.alignment is None:
        return []
    sure = reading.alignment.hypotheses[0].probability
    at = {
        mark.name: window([(mark.x, mark.y)])[0]
        for mark in reading.landmarks
        if mark.x is not None and mark.y is not None
    }
    names = ("medial_condyle_posterior", "lateral_condyle_posterior")
    if not all(name in at for name in names):
        return []
    pair = sorted(names, key=lambda name: float(at[name][1]))
    # Words go to the side on which less of the knee lies.
    behind = float(at[pair[0]][0]) < float(np.mean([xy[0] for xy in at.values()]))
    found = []
    for name, rise in zip(pair, (-34.0, 12.0), strict=True):
        chance = f"{sure:.0%}" if sure < 0.995 else "> 99%"
        words = f"{name.split('_')[0]} {chance}"
        x, y = at[name]
        left = x - 16 - text_width(words, 18) if behind else x + 16
        found.append(((max(float(left), 4.0), float(y) + rise), words, 18, c.WHITE))
    return found


# ---- the words beside it ----------------------------------------------------------------------


@dataclass(frozen=True)
class _Chart:
    """One angle: where it is drawn, and what by whom."""

    y: float
    hypotheses: tuple[tuple[float, tuple[float, float]], ...]
    estimates: tuple[tuple[str, float], ...]
    tolerance: tuple[float, float]


class _Panel:
    """Lays the words out and remembers charts and marks; `y` is where it ends."""

    def __init__(self, reading: Reading, note: str) -> None:
        self.texts: list[tuple[float, float, str, int, Colour]] = []
        self.charts: list[_Chart] = []
        self.marks: list[tuple[float, str]] = []
        self.verdict: tuple[float, str] | None = None
        self.y = float(MARGIN)
        if note:
            self._say(note, 22, c.ORANGE)
        self._say(short_name(reading.film.source), 17, c.GREY)
        words = VIEWS[reading.view.name]
        if reading.view.name in ("AP", "lateral"):
            words = f"{reading.side.name} knee, {words}"
        self._say(words, 28, c.WHITE)
        if reading.refused:
            self.y += 10
            self._say("not read: " + reading.refused, 20, c.YELLOW)
        if reading.alignment is not None:
            self._angles(reading.alignment, reading.grounds)
            self._explanations(reading)
            self._criteria(reading.alignment.criteria)
        if reading.grounds is not None:
            self._trust(reading.grounds)
        if reading.found.instruments:
            self._title("Instruments: the interval holds both sides of the bone, since one film")
            self._say("does not tell on which side of its middle a tip lies", 16, c.GREY)
            for number, each in enumerate(reading.found.instruments, 1):
                self._say(depth_told(number, each), 17, c.WHITE, indent=8)
        self._legend(reading)

    def _say(self, words: str, size: int, colour: Colour, indent: float = 0.0) -> None:
        for line in wrapped(words, size, PANEL - 2 * MARGIN - indent):
            self.texts.append((MARGIN + indent, self.y, line, size, colour))
            self.y += size * 1.36

    def _title(self, words: str) -> None:
        self.y += 13
        self._say(words, 16, c.GREY)
        self.y += 3

    def _angles(self, alignment: Alignment, grounds: Grounds | None) -> None:
        words, colour = VERDICTS[alignment.square]
        self.y += 10
        self.verdict = (self.y, alignment.square)
        self.texts.append((MARGIN + 50, self.y, words, 32, colour))
        if alignment.square_probability is not None:
            said = f"probability of square: {alignment.square_probability:.2f}"
            left = PANEL - MARGIN - text_width(said, 17)
            self.texts.append((left, self.y + 13, said, 17, c.WHITE))
        self.y += 50
        tolerance = grounds.tolerance_deg if grounds else 5.0
        for name in ("rotation", "tilt"):
            zero = grounds.rotation_zero_deg if grounds and name == "rotation" else 0.0
            own = tuple(_of(h, name) for h in alignment.hypotheses)
            inside = sum(
                h.probability * within(value - zero, (high - low) / (2 * Z90), tolerance)
                for h, (value, (low, high)) in zip(alignment.hypotheses, own, strict=True)
            )
            self.texts.append((MARGIN, self.y, f"{name} {own[0][0]:+.1f}°", 22, c.WHITE))
            said = f"{inside:.0%} within {tolerance:g}° of square"
            left = PANEL - MARGIN - text_width(said, 16)
            self.texts.append((left, self.y + 5, said, 16, c.WHITE))
            self.y += 32
            estimates: tuple[tuple[str, float], ...] = ()
            if grounds is not None:
                which = 0 if name == "rotation" else 1
                estimates = tuple(
                    (words, grounds.estimates[key][which])
                    for key, words in ESTIMATORS.items()
                    if key in grounds.estimates
                )
            band = (zero - tolerance, zero + tolerance)
            self.charts.append(_Chart(self.y, own, estimates, band))
            self.y += 24 * (len(estimates) + len(own)) + 34

    def _explanations(self, reading: Reading) -> None:
        assert reading.alignment is not None
        hypotheses = reading.alignment.hypotheses
        if len(hypotheses) < 2:
            return
        self._title("Two explanations: which condyle is which")
        for number, h in enumerate(hypotheses[:2]):
            names = "as marked" if number == 0 else "medial and lateral exchanged"
            self._say(
                f"{h.probability:.0%} {names}: rotation {h.rotation_deg:+.1f}°, "
                f"tilt {h.tilt_deg:+.1f}°",
                18,
                c.WHITE if number == 0 else c.GREY,
                indent=8,
            )

    def _criteria(self, criteria: Sequence[CriterionRead]) -> None:
        if not criteria:
            return
        self._title("What an expert looks at")
        for row in criteria:
            self.marks.append((self.y, row.verdict))
            self.texts.append((MARGIN + 30, self.y, row.name, 18, c.WHITE))
            unit = row.unit.replace(" at the knee", "")
            said = "not seen" if row.value is None else f"{row.value:+.1f} {unit}"
            self.texts.append((MARGIN + 318, self.y, said, 18, c.WHITE))
            if row.tolerance is not None:
                self.texts.append((MARGIN + 464, self.y + 1, f"± {row.tolerance:g}", 16, c.GREY))
            self.y += 27

    def _trust(self, grounds: Grounds) -> None:
        lines = _remarks(grounds)
        if not lines:
            return
        self._title("How far to trust it")
        for words, usual in lines:
            self._say(words, 17, c.WHITE if usual else c.YELLOW, indent=8)

    def _legend(self, reading: Reading) -> None:
        if not reading.landmarks:
            return
        self._title("On the film: fitted outlines, and landmarks with ellipses of one deviation")
        x = float(MARGIN + 8)
        for bone, colour in BONES.items():
            self.texts.append((x, self.y, bone, 17, colour))
            x += text_width(bone, 17) + 26
        self.y += 26

    def draw(self, picture: Canvas, left: float) -> None:
        for chart in self.charts:
            _draw_chart(picture, left, chart)
        if self.verdict is not None:
            verdict_mark(picture, (left + MARGIN + 18, self.verdict[0] + 21), self.verdict[1])
        for y, verdict in self.marks:
            _criterion_mark(picture, (left + MARGIN + 10, y + 12), verdict)
        picture.texts([((left + x, y), words, size, col) for x, y, words, size, col in self.texts])


def _of(hypothesis: HypothesisRead, name: str) -> tuple[float, tuple[float, float]]:
    if name == "rotation":
        return hypothesis.rotation_deg, hypothesis.rotation_90
    return hypothesis.tilt_deg, hypothesis.tilt_90


def _remarks(grounds: Grounds) -> list[tuple[str, bool]]:
    """Sentences on the reading's grounds, and whether each is as usual."""
    quality, said = grounds.quality, []
    if "plausibility" in quality:
        p = quality["plausibility"]
        said.append((f"{p:.0%} plausible as a knee in this view", p >= SURE))
    if "contradiction" in quality:
        torn = quality["contradiction"]
        usual = torn <= USUAL["contradiction"]
        words = "agree" if usual else "contradict each other"
        said.append((f"landmarks and network {words}: {torn:.1f} deviations apart", usual))
    if "misfit" in quality and "strain" in quality:
        usual = quality["misfit"] <= USUAL["misfit"] and quality["strain"] <= USUAL["strain"]
        words = "as usual" if usual else "unusually"
        said.append(
            (
                f"the fitted knee meets the landmarks {words}: misfit {quality['misfit']:.1f}, "
                f"strain {quality['strain']:.1f}",
                usual,
            )
        )
    return said


def _draw_chart(picture: Canvas, left: float, chart: _Chart) -> None:
    """Rows of one angle over a common scale with the tolerance as a lighter band."""
    x0, x1 = left + MARGIN + 112, left + PANEL - MARGIN - 12
    rows = len(chart.estimates) + len(chart.hypotheses)
    top, bottom = chart.y, chart.y + 24 * rows + 6

    values = [value for _, value in chart.estimates]
    values += [end for value, interval in chart.hypotheses for end in (value, *interval)]
    widest = max(map(abs, values))
    span = next((s for s in SPANS_DEG if s >= widest), SPANS_DEG[-1])

    def at(degrees: float) -> float:
        share = (np.clip(degrees, -span, span) + span) / (2 * span)
        return float(x0 + share * (x1 - x0))

    low, high = (at(d) for d in chart.tolerance)
    picture.fill([(low, top), (high, top), (high, bottom), (low, bottom)], (47, 54, 62))
    texts: list[tuple[tuple[float, float], str, int, Colour]] = []
    for third in range(-3, 4):
        degrees = round(third * span / 3)
        x = at(degrees)
        picture.line([(x, bottom - (rows * 24 + 6 if degrees == 0 else 5)), (x, bottom)], c.GREY, 1)
        words = f"{degrees:+d}°" if degrees else "0"
        texts.append(((x - text_width(words, 13) / 2, bottom + 3), words, 13, c.GREY))
    picture.line([(x0, bottom), (x1, bottom)], c.GREY, 1)
    y = top + 15
    for words, value in chart.estimates:
        texts.append(((left + MARGIN + 8, y - 11), words, 16, c.GREY))
        colour = c.SKY if words == "network" else c.ORANGE
        _point(picture, (at(value), y), value / span, colour, words)
        y += 24
    for number, (value, interval) in enumerate(chart.hypotheses):
        first = number == 0
        words = ("both" if chart.estimates else "read") if first else "exchanged"
        texts.append(((left + MARGIN + 8, y - 11), words, 16, c.WHITE if first else c.GREY))
        ends = [(at(d), y) for d in interval]
        picture.line(ends, c.WHITE if first else c.GREY, 5 if first else 2)
        _point(picture, (at(value), y), value / span, c.WHITE if first else c.GREY, "both")
        y += 24
    picture.texts(texts)


def _point(
    picture: Canvas, at: tuple[float, float], share: float, colour: Colour, kind: str
) -> None:
    """Landmarks: a diamond; network: a ring; both: a dot; beyond the scale: an arrow.

    `share`: of the scale's half width.
    """
    x, y = at
    if abs(share) > 1:
        out = 11.0 if share > 0 else -11.0
        picture.fill([(x - out, y - 8), (x + out / 2, y), (x - out, y + 8)], colour)
    elif kind == "landmarks":
        picture.fill([(x, y - 8), (x + 8, y), (x, y + 8), (x - 8, y)], colour)
    elif kind == "network":
        picture.ellipse(at, 6, 6, 0, colour, 3)
    else:
        picture.ellipse(at, 6, 6, 0, c.DARK, 6)
        picture.ellipse(at, 3, 3, 0, colour, 6)


def _criterion_mark(picture: Canvas, at: tuple[float, float], verdict: str) -> None:
    """A tick, a cross or a ring: the verdict without colour."""
    x, y = at
    if verdict == "pass":
        picture.line([(x - 7, y), (x - 2, y + 6), (x + 8, y - 7)], c.GREEN, 3)
    elif verdict == "fail":
        for sign in (-1, 1):
            picture.line([(x - 6, y - 6 * sign), (x + 6, y + 6 * sign)], c.VERMILION, 3)
    else:
        picture.ellipse(at, 6, 6, 0, c.YELLOW, 2, dash=4)

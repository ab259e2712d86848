"""`overlays/*.png`: the film with everything that was read drawn over it, and a panel of words."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.align.square import RADIUS_90
from pipeline.knee.film import Film
from pipeline.knee.landmarks import BY_NAME
from pipeline.knee.reading import Alignment, Instrument, Move, Proposal, Reading
from pipeline.records import canvas as c
from pipeline.records.canvas import Canvas, Colour, text_width, wrapped
from pipeline.records.files import write_atomic

CAUTION = "PROPOSAL FOR HUMAN REVIEW - NOT FOR GUIDANCE"

PANEL, MARGIN, FOOTER = 540, 24, 44
LEAST_HEIGHT = 980
VERDICTS: dict[str, tuple[str, Colour]] = {
    "yes": ("square on", c.GREEN),
    "no": ("not square on", c.VERMILION),
    "cannot tell": ("cannot tell", c.YELLOW),
}
VIEWS = {"AP": "AP", "lateral": "lateral", "other": "another view", "none": "no knee"}
GAUGE_DEG = 10.0


def short_name(source: str) -> str:
    """The file's name with its folder's: enough for a person to know the film."""
    return "/".join(Path(source).parts[-2:]).lstrip("/").encode("utf-8", "replace").decode()


def overlay_name(source: str, frame: int | None, index: int) -> str:
    """File name of a reading's picture: readable, and different for different sources."""
    words = str(Path(short_name(source)).with_suffix(""))
    stem = re.sub(r"[^A-Za-z0-9-]+", "_", words)[-50:].strip("_-") or "film"
    digest = hashlib.sha256(source.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    frame_part = "" if frame is None else f"-f{frame:04d}"
    return f"{stem}-{digest}{frame_part}-k{index}.png"


@dataclass(frozen=True)
class OverlayWriter:
    """Draws one picture per reading.

    Attributes:
        size: longest side of the drawn film, pixels.
        zoom: whether a knee that is small on its film is drawn enlarged.
        note: words to print at the top, e.g. that the film is invented.
    """

    size: int = 1200
    zoom: bool = True
    note: str = ""

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        for reading in readings:
            name = overlay_name(film.source, film.frame, reading.knee.index)
            picture = draw(film, reading, size=self.size, zoom=self.zoom, note=self.note)
            write_atomic(out / "overlays" / name, picture.png())

    def finish(self, out: Path) -> None:
        """Nothing is left to do: every picture is complete when it is written."""


@dataclass(frozen=True)
class Window:
    """The part of the film that is drawn: first pixel (x0, y0), `scale` canvas px a film px."""

    x0: float
    y0: float
    scale: float

    def __call__(self, xy: NDArray[np.float64] | Sequence[Sequence[float]]) -> NDArray[np.float64]:
        """(N, 2) film pixels to canvas pixels (resizing moves pixel centres by half a pixel)."""
        points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        return (points - (self.x0, self.y0) + 0.5) * self.scale - 0.5


Shape = tuple[NDArray[np.float64], Colour, float]
"""A closed line on the film: (N, 2) film pixels, its colour, the length of its dashes (0: none)."""


def draw(
    film: Film,
    reading: Reading,
    *,
    size: int = 1200,
    zoom: bool = True,
    note: str = "",
    over: Sequence[Shape] = (),
    more: tuple[str, Sequence[str]] = ("", ()),
) -> Canvas:
    """The picture of one reading; `over` is drawn above all, `more` (title, lines) is told last."""
    x0, y0, x1, y1 = part_shown(film, reading, zoom)
    part = film.pixels[y0:y1, x0:x1]
    scale = size / max(part.shape)
    grey = grey_levels(part, scale)
    height, width = grey.shape
    panel = Panel(reading, whole=part.size == film.pixels.size, note=note, more=more)
    rows = max(height, panel.height, LEAST_HEIGHT) + FOOTER
    rgb = np.full((rows, width + PANEL, 3), c.DARK, np.uint8)
    rgb[:height, :width] = grey[:, :, None]
    picture = Canvas(np.ascontiguousarray(rgb[:height, :width]))
    window = Window(x0, y0, scale)
    _draw_knee(picture, reading, window)
    for points, colour, dash in over:
        picture.line(window(points), c.BLACK, 4, closed=True, dash=dash)
        picture.line(window(points), colour, 2, closed=True, dash=dash)
    rgb[:height, :width] = picture.rgb
    whole = Canvas(rgb)
    panel.draw(whole, width)
    draw_caution(whole)
    return whole


def draw_caution(picture: Canvas) -> None:
    """The strip along the foot, `FOOTER` pixels high, that says what the picture is not for."""
    rows, right = picture.rgb.shape[:2]
    top = rows - FOOTER
    picture.fill([(0, top), (right, top), (right, rows), (0, rows)], c.ORANGE)
    left = max(MARGIN, (right - text_width(CAUTION, 26)) / 2)
    picture.texts([((left, top + 7), CAUTION, 26, c.BLACK)])


def part_shown(film: Film, reading: Reading, zoom: bool) -> tuple[int, int, int, int]:
    """Film pixels x0, y0, x1, y1 to draw: all, or around a knee that fills less than half."""
    return part_around(film, reading.knee.box if zoom else None)


def part_around(film: Film, box: Sequence[float] | None) -> tuple[int, int, int, int]:
    """The same for the box of a knee, or None."""
    whole = (0, 0, film.columns, film.rows)
    if box is None:
        return whole
    x0, y0, x1, y1 = box
    if x1 - x0 > film.columns / 2 or y1 - y0 > film.rows / 2:
        return whole
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    half = 0.8 * max(x1 - x0, y1 - y0)
    low = np.maximum(np.floor(middle - half), 0).astype(int)
    high = np.minimum(np.ceil(middle + half), (film.columns, film.rows)).astype(int)
    if np.any(high - low < 8):
        return whole
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def grey_levels(part: NDArray[np.float32], scale: float) -> NDArray[np.uint8]:
    """A part of a film, (rows, columns), as `windowed` at `scale` canvas pixels a film pixel.

    At least 8 x 8 pixels.
    """
    rows, columns = (max(8, round(length * scale)) for length in part.shape)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return windowed(np.asarray(cv2.resize(part, (columns, rows), interpolation=how), np.float32))


def windowed(part: NDArray[np.float32]) -> NDArray[np.uint8]:
    """(rows, columns) grey levels 0 to 235 between the darkest and brightest half per cent."""
    low, high = np.percentile(part[::3, ::3], (0.5, 99.5))
    span = max(float(high - low), 1e-6)
    return (np.clip((part - low) / span, 0, 1) * 235).astype(np.uint8)


# ---- over the film ----------------------------------------------------------------------------


def _draw_knee(picture: Canvas, reading: Reading, window: Window) -> None:
    for warning in reading.warnings:
        picture.hatch(list(window(warning.polygon)), c.VERMILION)
    for polygon in reading.outline.values():
        for colour, width in ((c.BLACK, 3), (c.WHITE, 1)):
            picture.line(window(polygon), colour, width, closed=True, dash=5)
    for landmark in reading.landmarks:
        if landmark.x is None or landmark.y is None:
            continue
        (at,) = window([(landmark.x, landmark.y)])
        if landmark.sd_major is not None and landmark.sd_minor is not None:
            reach = RADIUS_90 * window.scale
            picture.ellipse(
                at,
                max(landmark.sd_major * reach, 1.0),
                max(landmark.sd_minor * reach, 1.0),
                landmark.sd_angle_deg or 0.0,
                c.SKY,
                1,
            )
        _mark(picture, at, landmark.name)
    labels = []
    for proposal in reading.proposals:
        labels += _draw_proposal(picture, proposal, window)
    for number, instrument in enumerate(reading.found.instruments, 1):
        labels.append(draw_tip(picture, window([instrument.tip])[0], number))
    for warning in reading.warnings:
        corner = window(warning.polygon).max(axis=0)
        labels.append(
            ((corner[0] + 6, corner[1] - 22), f"warning: {warning.name}", 18, c.VERMILION)
        )
    rows, columns = picture.rgb.shape[:2]
    inside = []
    for (x, y), words, size, colour in labels:
        x = min(max(x, 4), max(4, columns - text_width(words, size) - 6))
        inside.append(((x, min(max(y, 4), rows - size - 8)), words, size, colour))
    picture.texts(inside, halo=True)


def _mark(picture: Canvas, at: NDArray[np.float64], name: str) -> None:
    """A plus for a fixed landmark, a dot for one on the contour."""
    if name in BY_NAME and BY_NAME[name].kind == "fixed":
        for step in ((6, 0), (0, 6)):
            picture.line([at - step, at + step], c.BLACK, 4)
        for step in ((5, 0), (0, 5)):
            picture.line([at - step, at + step], c.SKY, 2)
    else:
        picture.ellipse(at, 3.0, 3.0, 0, c.BLACK, 3)
        picture.ellipse(at, 2.0, 2.0, 0, c.SKY, 2)


def draw_tip(
    picture: Canvas, at: NDArray[np.float64], number: int
) -> tuple[tuple[float, float], str, int, Colour]:
    """A ring with a gap of dark around an instrument's tip, (2,) canvas pixels; its label."""
    picture.ellipse(at, 8.0, 8.0, 0, c.BLACK, 5)
    picture.ellipse(at, 8.0, 8.0, 0, c.YELLOW, 2)
    return (float(at[0]) + 12, float(at[1]) + 4), f"tip {number}", 18, c.YELLOW


def depth_told(number: int, instrument: Instrument) -> str:
    """How deep a tip lies, in words."""
    if instrument.depth_percent is None or instrument.depth_90 is None:
        return f"tip {number}: no depth here, only on a shaft of a lateral film"
    low, high = instrument.depth_90
    return (
        f"tip {number}: at {instrument.depth_percent:.0f} % of the shaft from the front "
        f"(90 %: {low:.0f} to {high:.0f}, misalignment included)"
    )


def _draw_proposal(
    picture: Canvas, proposal: Proposal, window: Window
) -> list[tuple[tuple[float, float], str, int, Colour]]:
    """A diamond (point) or a bar (band) with its 90 % circle; dashed where a caution goes along."""
    if proposal.status == "withheld" or not proposal.points:
        return []
    dash = 7.0 if proposal.why else 0.0
    points = window(proposal.points)
    if proposal.shape == "band":
        picture.line(points, c.BLACK, 7)
        picture.line(points, c.ORANGE, 4, dash=dash)
    middle = points.mean(axis=0)
    diamond = [middle + step for step in ((0, -9), (9, 0), (0, 9), (-9, 0))]
    if proposal.shape == "point":
        picture.line(diamond, c.BLACK, 5, closed=True)
        picture.line(diamond, c.ORANGE, 3, closed=True)
    radius = (proposal.radius_90_px or 0.0) * window.scale
    if radius > 0:
        picture.ellipse(middle, radius, radius, 0, c.BLACK, 4, dash=dash)
        picture.ellipse(middle, radius, radius, 0, c.ORANGE, 2, dash=dash)
    reach = max(radius, 12) + 6
    return [((middle[0] + reach, middle[1] - 12), proposal.target, 20, c.ORANGE)]


# ---- the panel beside it ----------------------------------------------------------------------


class Panel:
    """Words and two gauges; lays itself out first, so that the canvas can be made tall enough."""

    def __init__(
        self,
        reading: Reading,
        *,
        whole: bool,
        note: str,
        more: tuple[str, Sequence[str]] = ("", ()),
    ) -> None:
        self.items: list[tuple[float, float, str, int, Colour]] = []
        self.gauges: list[tuple[float, float, tuple[float, float]]] = []
        self.mark: tuple[str, float] | None = None
        self.y = float(MARGIN)
        if note:
            self._say(note, 24, c.ORANGE)
        self._head(reading, whole)
        if reading.refused:
            self._say("not read: " + reading.refused, 22, c.YELLOW)
        if reading.alignment is not None:
            self._verdict(reading.alignment)
        self._list("Move", _moves(reading.moves), c.WHITE)
        self._list("Proposals", [_told(proposal) for proposal in reading.proposals], c.WHITE)
        tips = reading.found.instruments
        self._list("Instruments", [depth_told(n, t) for n, t in enumerate(tips, 1)], c.WHITE)
        self._list("Cautions", list(dict.fromkeys(reading.cautions)), c.YELLOW)
        self._legend(reading)
        self._list(*more, c.WHITE)
        self.height = round(self.y) + MARGIN

    def _say(self, words: str, size: int, colour: Colour, indent: float = 0.0) -> None:
        for line in wrapped(words, size, PANEL - 2 * MARGIN - indent):
            self.items.append((MARGIN + indent, self.y, line, size, colour))
            self.y += size * 1.35

    def _list(self, title: str, lines: Sequence[str], colour: Colour) -> None:
        if not lines:
            return
        self.y += 12
        self._say(title, 18, c.GREY)
        for line in lines:
            self._say(line, 19, colour, indent=10)
            self.y += 3

    def _head(self, reading: Reading, whole: bool) -> None:
        name = short_name(reading.film.source)
        frame = "" if reading.film.frame is None else f", frame {reading.film.frame}"
        self._say(f"{name}{frame}", 18, c.GREY)
        words = VIEWS[reading.view.name]
        if reading.side.name and reading.view.name != "none":
            words = f"{reading.side.name} knee, {words}"
        self._say(words, 30, c.WHITE)
        origin = f"view {reading.view.probability:.0%}"
        if reading.view.name != "none":
            origin += f", side {reading.side.probability:.0%} from the {reading.side.from_}"
        self._say(origin, 17, c.GREY)
        if not whole:
            self._say("the part of the film around the knee is shown", 17, c.GREY)
        self.y += 10

    def _verdict(self, alignment: Alignment) -> None:
        words, colour = VERDICTS[alignment.square]
        self.mark = (alignment.square, self.y)
        self.items.append((MARGIN + 52, self.y, words, 36, colour))
        self.y += 50
        if alignment.square_probability is not None:
            self._say(
                f"probability that it is square on: {alignment.square_probability:.2f}", 18, c.WHITE
            )
        self.y += 12
        for name, value, interval in (
            ("rotation", alignment.rotation_deg, alignment.rotation_90),
            ("tilt", alignment.tilt_deg, alignment.tilt_90),
        ):
            if value is None or interval is None:
                continue
            low, high = interval
            self._say(f"{name} {value:+.1f}°  (90 %: {low:+.1f} to {high:+.1f})", 22, c.WHITE)
            self.gauges.append((self.y + 12, value, interval))
            self.y += 40
        rest = []
        if alignment.flexion_deg is not None:
            rest.append(f"flexion {round(alignment.flexion_deg)}°")
        if alignment.roll_deg is not None:
            rest.append(f"roll {alignment.roll_deg:+.0f}°")
        if rest:
            self._say(", ".join(rest), 18, c.GREY)

    def _legend(self, reading: Reading) -> None:
        parts = []
        if reading.landmarks:
            parts.append("+ fixed landmark, o on the contour, each with its 90 % ellipse")
        if any(p.status == "proposal" for p in reading.proposals):
            parts.append("diamond or bar: proposal with its 90 % circle, dashed where uncertain")
        if reading.found.instruments:
            parts.append("ring: an instrument's tip")
        if reading.warnings:
            parts.append("hatched: nerve zone, keep away")
        self._list("Legend", parts, c.GREY)

    def draw(self, picture: Canvas, left: float) -> None:
        """Draws the panel, its left edge at `left` canvas pixels."""
        for y, value, interval in self.gauges:
            _gauge(picture, left, y, value, interval)
        if self.mark is not None:
            verdict_mark(picture, (left + MARGIN + 20, self.mark[1] + 22), self.mark[0])
        picture.texts([((left + x, y), words, size, col) for x, y, words, size, col in self.items])


def _gauge(
    picture: Canvas, left: float, y: float, value: float, interval: tuple[float, float]
) -> None:
    """A line from -10 to +10 degrees with the interval as a bar and the value as a dot."""
    x0, x1 = left + MARGIN + 10, left + PANEL - MARGIN - 10

    def at(degrees: float) -> float:
        share = (np.clip(degrees, -GAUGE_DEG, GAUGE_DEG) + GAUGE_DEG) / (2 * GAUGE_DEG)
        return float(x0 + share * (x1 - x0))

    picture.line([(x0, y), (x1, y)], c.GREY, 1)
    for degrees in (-10, -5, 0, 5, 10):
        reach = 9 if degrees == 0 else 5
        picture.line([(at(degrees), y - reach), (at(degrees), y + reach)], c.GREY, 1)
    ends = [(at(d) - 14, y + 8) for d in (-GAUGE_DEG, GAUGE_DEG)]
    picture.texts([(ends[0], "-10°", 13, c.GREY), (ends[1], "+10°", 13, c.GREY)])
    picture.line([(at(interval[0]), y), (at(interval[1]), y)], c.SKY, 7)
    x = at(value)
    if abs(value) > GAUGE_DEG:  # beyond the scale: an arrow head points out of it
        out = 12 if value > 0 else -12
        picture.fill([(x - out, y - 10), (x + out, y), (x - out, y + 10)], c.WHITE)
    else:
        picture.ellipse((x, y), 5, 5, 0, c.BLACK, 8)
        picture.ellipse((x, y), 4, 4, 0, c.WHITE, 6)


def verdict_mark(picture: Canvas, at: tuple[float, float], square: str) -> None:
    """A shape that says the verdict without colour: square, cross, or ring."""
    colour = VERDICTS[square][1]
    x, y = at
    if square == "yes":
        picture.line(
            [(x - 15, y - 15), (x + 15, y - 15), (x + 15, y + 15), (x - 15, y + 15)],
            colour,
            5,
            closed=True,
        )
    elif square == "no":
        picture.line([(x - 14, y - 14), (x + 14, y + 14)], colour, 5)
        picture.line([(x - 14, y + 14), (x + 14, y - 14)], colour, 5)
    else:
        picture.ellipse((x, y), 15, 15, 0, colour, 4, dash=8)


def _moves(moves: Sequence[Move]) -> list[str]:
    """Texts of the moves that do something; where there is none, that none is suggested."""
    needed = [f"{move.angle}: {move.text}" for move in moves if move.toward]
    return list(dict.fromkeys(needed or (move.text for move in moves)))


def _told(proposal: Proposal) -> str:
    if proposal.status == "withheld":
        return f"{proposal.target}: withheld, {proposal.why}"
    why = f" ({proposal.why})" if proposal.why else ""
    return f"{proposal.target}: proposed{why}"

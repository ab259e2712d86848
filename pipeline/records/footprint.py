"""`footprints/*.png` and `footprints.csv`: a lesion's footprint at the tips of instruments.

Only for a person who looks back at archived films that show instruments; this writer runs only
where it is asked for. Nothing of it enters `readings.jsonl`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.propose.lesion import ELEVATION_DEG, Footprint, Lesion, Range, footprint
from pipeline.propose.shaft_line import shaft_line
from pipeline.records import canvas as c
from pipeline.records.canvas import Canvas
from pipeline.records.files import write_atomic
from pipeline.records.overlay import Shape, draw, overlay_name, short_name
from pipeline.records.table import csv_text

LOOKING_BACK = (
    "Footprints look back at an archived film: sizes measured outside the body, drawn to scale "
    "for a reviewer. Never a plan, never for guidance."
)
NO_SCALE = "no scale at the knee is known: no footprint is drawn; give mm_per_px if you know it"
WITHIN = {
    "inner": "inside every size of the range",
    "outer": "inside the larger sizes only",
    "outside": "outside",
}
COLUMNS = (
    "film",
    "frame",
    "knee",
    "view",
    "tip",
    "x",
    "y",
    "depth_percent",
    "depth_90_low",
    "depth_90_high",
    "kind",
    "direction",
    "target",
    "target_mm",
    "target_90_mm",
    "target_lies",
    "zone_mm",
    "tip_to_zone_mm",
)


@dataclass(frozen=True)
class FootprintWriter:
    """Draws a lesion's footprint at each tip, to scale, with its distances. A reviewer's tool.

    Attributes:
        kind: conventional or cooled: the sizes that are not given, as published ranges.
        width_mm, length_mm, projection_mm: [least, most] across, along and beyond the tip.
        elevation_deg: [least, most] angle of the instruments with the film's plane; not given: 0
            to 30 on AP films, 0 to 85 on lateral ones.
        mm_per_px: scale at the knee for films that have none.
        size: longest side of the drawn film, pixels.
        note: words to print at the top, e.g. that the film is invented.
    """

    kind: str = "conventional"
    width_mm: Range | None = None
    length_mm: Range | None = None
    projection_mm: Range | None = None
    elevation_deg: Range | None = None
    mm_per_px: float | None = None
    size: int = 1200
    note: str = ""

    def __post_init__(self) -> None:
        self.lesion  # noqa: B018, said before the first film is read

    @property
    def lesion(self) -> Lesion:
        """The options as what is drawn. Raises `Problem`."""
        return Lesion(
            self.kind,
            self.width_mm,
            self.length_mm,
            self.projection_mm,
            self.elevation_deg,
            self.mm_per_px,
        )

    def write(self, out: Path, film: Film, readings: Sequence[Reading]) -> None:
        for reading in readings:
            if not reading.found.instruments or reading.view.name not in ELEVATION_DEG:
                continue
            name = overlay_name(film.source, film.frame, reading.knee.index)
            found = footprints_of(film, reading, self.lesion)
            picture = drawn(film, reading, self.lesion, found, size=self.size, note=self.note)
            write_atomic(out / "footprints" / name, picture.png())
            rows = json.dumps(table_rows(reading, self.lesion, found))
            write_atomic(out / "footprints" / f"{Path(name).stem}.json", rows.encode())

    def finish(self, out: Path) -> None:
        """Gathers the films' rows in `footprints.csv`."""
        parts = sorted((out / "footprints").glob("*.json"))
        rows = [row for part in parts for row in json.loads(part.read_text("utf-8"))]
        if rows:
            write_atomic(out / "footprints.csv", csv_text(COLUMNS, rows))


def footprints_of(
    film: Film,
    reading: Reading,
    lesion: Lesion,
    ahead: Mapping[int, NDArray[np.float64]] | None = None,
) -> tuple[Footprint, ...]:
    """One footprint per instrument of the reading; none without a scale or a view.

    Args:
        ahead: tip's number to the (2,) film direction in which a person says it points; the
            others are looked for on the film.
    """
    mm_per_px = reading.scale.mm_per_px_knee or lesion.mm_per_px
    if mm_per_px is None or reading.view.name not in ELEVATION_DEG:
        return ()
    ray = film.header.central_ray
    found = []
    for i, each in enumerate(reading.found.instruments):
        tip = np.asarray(each.tip, dtype=np.float64)
        direction = None if ahead is None else ahead.get(i)
        if direction is None:
            line = shaft_line(film.pixels, tip, mm_per_px)
            direction = None if line is None else line.ahead
        found.append(
            footprint(
                tip,
                direction,
                lesion,
                reading.view.name,
                mm_per_px,
                reading.proposals,
                reading.warnings,
                source_mm=film.header.sod_mm,
                principal=None if ray is None else np.asarray(ray),
            )
        )
    return tuple(found)


def sentences(number: int, one: Footprint) -> str:
    """What a person should know of one footprint."""
    words = [f"tip {number}:"]
    if one.ahead is None:
        words.append("its direction was not found, so the circle holds every direction;")
    if one.target is None:
        words.append("no target is proposed on this film;")
    else:
        reach = "" if one.target_90_mm is None else f" (90 % within {one.target_90_mm:.1f} mm)"
        assert one.within is not None
        words.append(
            f"{one.target} proposal {one.target_mm:.1f} mm from the tip{reach}, "
            f"{WITHIN[one.within]};"
        )
    if one.zone_mm is None:
        words.append("no nerve zone on this film.")
    elif one.zone_mm == 0:
        words.append("the outer outline reaches into the nerve zone.")
    else:
        words.append(f"outer outline {one.zone_mm:.0f} mm from the nerve zone.")
    return " ".join(words)


def about(lesion: Lesion, view: str) -> list[str]:
    """Sizes, their source, and what is uncertain, in sentences."""
    sizes = lesion.sizes
    low, high = lesion.elevation_deg or ELEVATION_DEG[view]
    given = "as given" if lesion.elevation_deg else "assumed, one film does not tell"

    def span(values: Range) -> str:
        return f"{values[0]:g}" if values[0] == values[1] else f"{values[0]:g} to {values[1]:g}"

    return [
        f"{lesion.kind}: {span(sizes.width_mm)} mm across, {span(sizes.length_mm)} mm long, "
        f"{span(sizes.projection_mm)} mm beyond the tip",
        f"Source: {sizes.source}.",
        f"Instrument {span((low, high))} degrees out of the film's plane: {given}.",
        "Distances lie in this film's plane: what is shown over the zone may lie on the other side "
        "of the knee, so look at both views.",
        "Solid: covered by every size and direction in the ranges. Dashed: as far as the largest "
        "reaches. Not in it: the tip's own error of half a millimetre, and that a tip 25 mm nearer "
        "to the tube or the receptor is drawn 3 % too small or too large.",
    ]


def drawn(
    film: Film,
    reading: Reading,
    lesion: Lesion,
    found: Sequence[Footprint],
    *,
    size: int = 1200,
    note: str = "",
) -> Canvas:
    """The overlay with the footprints over it."""
    lines = [LOOKING_BACK]
    if found:
        lines += [sentences(i, one) for i, one in enumerate(found, 1)]
        lines += about(lesion, reading.view.name)
    else:
        lines.append(NO_SCALE)
    return draw(
        film,
        reading,
        size=size,
        note=note,
        over=[shape for one in found for shape in shapes_of(one)],
        more=("Lesion footprints", lines),
    )


def shapes_of(one: Footprint) -> list[Shape]:
    """Closed lines on the film: points, colour, length of dashes (0: solid)."""
    shapes: list[Shape] = [(one.outer, c.GREEN, 9.0)]
    if len(one.inner):
        shapes.append((one.inner, c.GREEN, 0.0))
    return shapes


def table_rows(
    reading: Reading, lesion: Lesion, found: Sequence[Footprint]
) -> list[dict[str, object]]:
    """One row of `COLUMNS` for each tip; what is not known is None."""
    rows: list[dict[str, object]] = []
    for i, each in enumerate(reading.found.instruments):
        low, high = each.depth_90 or (None, None)
        row: dict[str, object] = dict.fromkeys(COLUMNS)
        row |= {
            "film": short_name(reading.film.source),
            "frame": reading.film.frame,
            "knee": reading.knee.index,
            "view": reading.view.name,
            "tip": i + 1,
            "x": _short(each.tip[0]),
            "y": _short(each.tip[1]),
            "depth_percent": _short(each.depth_percent),
            "depth_90_low": _short(low),
            "depth_90_high": _short(high),
            "kind": lesion.kind,
        }
        if i < len(found):
            one = found[i]
            row |= {
                "direction": "not found" if one.ahead is None else "found",
                "target": one.target,
                "target_mm": _short(one.target_mm),
                "target_90_mm": _short(one.target_90_mm),
                "target_lies": None if one.within is None else WITHIN[one.within],
                "zone_mm": _short(one.zone_mm),
                "tip_to_zone_mm": _short(one.tip_zone_mm),
            }
        rows.append(row)
    return rows


def _short(value: float | None) -> float | None:
    return None if value is None else round(float(value), 2)

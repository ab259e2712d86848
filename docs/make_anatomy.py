"""Measures generated knees and writes docs/reference/anatomy.md: `python docs/make_anatomy.py`.

Some ten minutes on one core. `--other DIR` fits bones of another source too: DIR holds
`r_femur.stl` and `r_tibia.stl` of a right leg, metres, x forward, y up; without it those rows
are taken over from the page as it is.
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import numpy as np
import trimesh

from synthetic_data.anatomy import coverage
from synthetic_data.anatomy.coverage import Fit, Span, draw, people, without_modes, without_people
from synthetic_data.anatomy.published import CORRELATIONS, PUBLISHED, population
from synthetic_data.anatomy.template import template

PAGE = Path(__file__).parent / "reference" / "anatomy.md"
KNEES, DRAWS = 300, 300
BONES = ("femur", "tibia", "patella")
OTHER = "a bone of another source"
HEAD = """\
<!-- made by docs/make_anatomy.py: do not edit -->
# Generated knees, measured

How far the generated population is from what is published, and whether its space contains knees
that it has never seen. Means and spreads, no person; nothing here says how well films are read.

## Against published sizes and shapes

{knees} standing, straight knees of each sex, measured on their finished surfaces
(`synthetic_data/anatomy/measures.py`). Mean ± standard deviation, men / women. *Allowed* is by how
much the generated mean may differ beyond three standard errors before a test fails; *spread* the
ratio of generated to published deviation, above 1 on purpose where one series is narrower than
mankind. Marks as in [sources](sources.md).

"""
COVER = """
## Does it contain knees it has not seen?

People are taken out of the shape model, the model is made again from the others, {draws} bones
are drawn from the generator built on it, and the people taken out are fitted with what these draws
span, under a normal prior, so that a fit cannot use shapes that are hardly ever drawn. *Model
alone* draws from the shape model's modes without published sizes and smooth variation. Distances
in mm from the bone to the fitted surface, along the normal, within {reach:g} mm of the joint;
*strength* is the root mean square of the fit's coefficients in standard deviations, to be read
beside that of bones drawn afresh. The 26 people are taken out five or six at a time. The smooth
variation has more directions than {draws} draws can span: more draws would fit closer.

| bone | kept apart | fitted with | RMS | worst RMS | 95 % within | < 1 mm | < 2 mm | strength |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""
TAIL = """
*A bone of another source* is that of one more adult, digitised coarsely for gait simulation (147
and 89 points within 100 mm of the joint): it has no part in the model or in any setting of the
generator. Distances from its points. How much of what is left is its own coarseness is not known.

What the 26 people and the published tables do not show, the space need not contain: children,
dysplasia of the kind that is operated on, fractures that have healed astray. See
[limits](../explanation/limits.md).
"""


def number(x: float) -> str:
    return f"{x:.0f}" if abs(x) >= 100 else f"{x:.1f}" if abs(x) >= 10 else f"{x:.2f}"


def published_tables(count: int) -> str:
    found = population(count)
    both = {n: np.concatenate([found[s][n] for s in found]) for n in found["male"]}
    rows = [
        "| quantity | published | generated | allowed | spread | mark | source; why they differ |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in PUBLISHED.items():
        told, made, spread = [], [], []
        for sex, (mean, sd) in (("male", row.male), ("female", row.female)):
            values = found[sex][name]
            told.append(f"{mean:g} ± {sd:g}")
            made.append(f"{number(float(np.nanmean(values)))} ± {number(float(np.nanstd(values)))}")
            spread.append(f"{np.nanstd(values) / sd:.1f}")
        why = row.source + (f"; {row.note}" if row.note else "")
        rows.append(
            f"| {row.words} | {' / '.join(told)} | {' / '.join(made)} | {row.allowed:g} "
            f"| {' / '.join(spread)} | {row.mark} | {why} |"
        )
    rows += [
        "",
        "Drawn but not measured here: torsion of the femur (8.2 published for the whole bone, "
        "Adv Comput Tomogr 2015, abstract) and of the tibia (8, from memory), half of whose "
        "variance is laid below or above the cuts, and the bow of both shafts.",
        "",
        "Correlations, both sexes together:",
        "",
        "| of | and | published r | generated r | allowed | mark | source |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for c in CORRELATIONS:
        r = np.corrcoef(both[c.one], both[c.other])[0, 1]
        rows.append(
            f"| {c.one} | {c.other} | {c.r:g} | {r:.2f} | {c.allowed:g} | {c.mark} | {c.source} |"
        )
    return "\n".join(rows) + "\n"


def line(bone: str, apart: str, way: str, fits: list[Fit]) -> str:
    def mean(values: list[float]) -> float:
        return float(np.mean(values))

    return (
        f"| {bone} | {apart} | {way} | {mean([f.rms for f in fits]):.2f} "
        f"| {max(f.rms for f in fits):.2f} | {mean([f.p95 for f in fits]):.2f} "
        f"| {100 * mean([f.within(1) for f in fits]):.1f} % "
        f"| {100 * mean([f.within(2) for f in fits]):.1f} % "
        f"| {mean([f.strength for f in fits]):.1f} |"
    )


def coverage_rows(draws: int, other: Path | None) -> list[str]:
    t, rng, rows = template(), np.random.default_rng(31), []
    for bone in BONES:
        shapes, own = people(bone), getattr(t, bone)
        for wide, way in ((False, "model alone"), (True, "generator")):
            fits = []
            for first in range(5):
                apart = list(range(first, len(shapes), 5))
                less = without_people(t, apart)
                span = Span.of(less, bone, draw(less, bone, draws, rng, wide))
                fits += [span.fit(shapes[i]) for i in apart]
            rows.append(line(bone, "26 people", way, fits))
        less = without_modes(t, range(4))
        for wide, way in ((False, "model alone"), (True, "generator")):
            span = Span.of(less, bone, draw(less, bone, draws, rng, wide))
            bent = [own.mean + s * own.modes[:, :, k] for k in range(4) for s in (-2, 2)]
            rows.append(line(bone, "modes 1 to 4, at 2 SD", way, [span.fit(b) for b in bent]))
        for wide, way in ((False, "model alone"), (True, "generator")):
            span = Span.of(t, bone, draw(t, bone, draws, rng, wide))
            if wide:
                fresh = draw(t, bone, 20, rng, True)
                rows.append(line(bone, "20 draws", way, [span.fit(b) for b in fresh]))
            if other is not None and bone != "patella":
                points = other_points(other / f"r_{bone}.stl", bone)
                rows.append(line(bone, OTHER, way, [span.fit_points(points)]))
    return rows


def other_points(path: Path, bone: str, reach: float = 100.0) -> np.ndarray:
    """(P, 3) mm, the vertices near the knee of a bone in a file."""
    mesh = trimesh.load_mesh(path)
    mesh.merge_vertices()
    v = np.asarray(mesh.vertices) * 1000.0
    end = v[:, 1].min() if bone == "femur" else v[:, 1].max()
    return v[np.abs(v[:, 1] - end) < reach]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--other", type=Path)
    parser.add_argument("--knees", type=int, default=KNEES)
    parser.add_argument("--draws", type=int, default=DRAWS)
    options = parser.parse_args()
    old = PAGE.read_text() if PAGE.exists() else ""
    rows = coverage_rows(options.draws, options.other)
    if options.other is None:
        rows += re.findall(rf"^\| \w+ \| {OTHER} \|.*$", old, re.M)
    rows.sort(key=lambda row: (BONES.index(row.split("|")[1].strip()), OTHER in row))
    PAGE.write_text(
        HEAD.format(knees=options.knees)
        + published_tables(options.knees)
        + COVER.format(draws=options.draws, reach=coverage.REACH_MM)
        + "\n".join(rows)
        + "\n"
        + TAIL
    )


if __name__ == "__main__":
    main()

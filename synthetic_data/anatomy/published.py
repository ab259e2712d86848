"""Published sizes and shapes of adult knees, and how near the generated ones have to be.

Each row names a measure of `measured`, the published mean and SD of men and women, and two
allowances. `allowed`: by how much the generated mean may differ, in the measure's unit, beyond
three standard errors; where it is large the note says why. `spread`: how many times the
published SD the generated one may be. Wider is wanted: a network that is to read any adult's
knee should have seen more than one country's; narrower is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts import AnatomyRequest
from pipeline.knee.anatomy import Knee
from pipeline.knee.frames import Frames, frames_of
from synthetic_data.anatomy.measures import longest, measure, wall
from synthetic_data.anatomy.source import ShapeModelSource
from synthetic_data.pathology.leg import spaces

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Published:
    """One quantity: (mean, SD) of men and women, allowances, how far it was read, source, note."""

    words: str
    male: tuple[float, float]
    female: tuple[float, float]
    allowed: float
    mark: str
    source: str
    note: str = ""
    spread: tuple[float, float] = (0.8, 1.6)


GREEK = "360 dry femora, Anat Res Int 2012:679658"
CT215 = "215 CTs, J Orthop Surg Res 2018, s13018-018-0963-2"
MRI285 = "285 MRI, Knee Surg Relat Res 2021"
PLATEAU = "table in PMC9703208"

PUBLISHED: dict[str, Published] = {
    "femur_width": Published(
        "epicondylar width W, mm",
        (88.6, 4.2),
        (78.5, 3.0),
        3.0,
        "abstract",
        GREEK,
        "another series implies 80 for both sexes together: drawn between, spread over both",
    ),
    "femur_depth": Published(
        "depth of the condyles, mean of both, mm",
        (61.1, 3.35),
        (55.65, 2.5),
        1.5,
        "abstract",
        GREEK,
    ),
    "medial_condyle_depth": Published(
        "depth of the medial condyle, mm",
        (61.1, 3.4),
        (55.9, 2.9),
        3.2,
        "abstract",
        GREEK,
        "a caliper's two jaws; ours is along X, and the lateral ridge stands higher",
        (0.65, 1.6),
    ),
    "lateral_condyle_depth": Published(
        "depth of the lateral condyle, mm", (61.1, 3.3), (55.4, 2.1), 2.5, "abstract", GREEK
    ),
    "notch_width": Published(
        "width of the notch, mm",
        (22.0, 1.8),
        (18.7, 1.0),
        2.0,
        "abstract",
        GREEK,
        "level of measuring unknown: ours 0.24 W up, a quarter of the depth in",
        (0.8, 2.3),
    ),
    "notch_depth": Published(
        "depth of the notch, mm",
        (27.8, 1.6),
        (23.7, 1.2),
        3.5,
        "abstract",
        GREEK,
        "as above",
        (0.8, 1.8),
    ),
    "medial_radius": Published(
        "radius of the medial condyle behind, mm",
        (17.0, 1.6),
        (17.0, 1.6),
        5.5,
        "abstract",
        "124 Japanese knees, CT, Hokari et al., both sexes together",
        "spheres, on smaller knees; circles on our outlines, 40 to 110 degrees; "
        "18.6 on the shape model's own people; Iwaki 2000 has 22 (memory)",
        (0.8, 2.5),
    ),
    "lateral_radius": Published(
        "radius of the lateral condyle behind, mm",
        (17.1, 1.8),
        (17.1, 1.8),
        4.0,
        "abstract",
        "124 Japanese knees, CT, Hokari et al., both sexes together",
        "as above",
        (0.8, 2.5),
    ),
    "condyle_distance": Published(
        "distance between the condyles' rearmost points, mm",
        (53.2, 3.0),
        (47.1, 3.0),
        1.5,
        "design",
        "0.6 of the width, no table found",
    ),
    "condylar_offset": Published(
        "condyles behind the posterior cortex, mm",
        (25.0, 2.0),
        (25.0, 2.0),
        4.5,
        "abstract",
        "plain films of 32 knees, both sexes together",
        "the cortex's line can be drawn in several ways: 22.4 on the shape model's own people",
    ),
    "posterior_condylar_angle": Published(
        "epicondylar axis outward of the posterior condyles, degrees",
        (2.91, 1.4),
        (2.91, 1.4),
        2.7,
        "abstract",
        "80 MRI, surgical axis",
        "ours joins the outermost points",
        (0.8, 2.8),
    ),
    "sulcus_angle": Published(
        "sulcus angle, degrees",
        (138.0, 6.0),
        (138.0, 6.0),
        3.0,
        "memory",
        "Merchant 1974, skyline films",
        "CT of 87 controls has 132.5 (PMC5134791, abstract); it opens by 6 for every 0.05 W up",
    ),
    "trochlear_depth": Published(
        "depth of the trochlear groove, mm",
        (6.04, 1.2),
        (6.04, 1.2),
        0.6,
        "abstract, SD design",
        "CT of 87 controls, PMC5134791",
    ),
    "adductor_ratio": Published(
        "adductor tubercle above the joint line / W",
        (0.56, 0.03),
        (0.56, 0.03),
        0.006,
        "abstract",
        "Xiao et al., J Arthroplasty 2017;32:1351",
    ),
    "medial_epicondyle_ratio": Published(
        "medial epicondyle above the joint line / W",
        (0.327, 0.03),
        (0.327, 0.03),
        0.075,
        "abstract, SD design",
        CT215,
        "our most medial point lies nearer the tubercle",
        (0.8, 2.2),
    ),
    "lateral_epicondyle_ratio": Published(
        "lateral epicondyle above the joint line / W",
        (0.297, 0.03),
        (0.297, 0.03),
        0.03,
        "abstract, SD design",
        CT215,
    ),
    "femur_lateral_angle": Published(
        "aLDFA, degrees", (81.0, 1.8), (81.0, 1.8), 0.8, "memory", "Paley 2002; SD Bellemans 2012"
    ),
    "femur_shaft_ap": Published(
        "femoral shaft front to back at 10 cm, mm",
        (31, 3),
        (27, 3),
        1.2,
        "design",
        "no table found",
    ),
    "femur_shaft_ml": Published(
        "femoral shaft side to side at 10 cm, mm", (41, 3), (36.5, 3), 1.8, "design", "real films"
    ),
    "plateau_width": Published(
        "width of the plateau, mm",
        (83.0, 3.7),
        (71.7, 2.8),
        2.3,
        "abstract",
        f"Japanese series, {PLATEAU}",
        "four other series have 75 to 76 and 66 to 69: drawn between",
    ),
    "plateau_depth": Published(
        "depth of the plateau, mean of both sides, mm",
        (46.9, 3.0),
        (41.4, 2.9),
        3.2,
        "abstract",
        "200 MRI, J Orthop Surg Res 2021, s13018-021-02708-8",
        f"50.5 and 45.0 by Cheng, {PLATEAU}",
    ),
    "medial_plateau_depth": Published(
        "depth of the medial plateau, mm",
        (50.0, 3.1),
        (43.9, 3.0),
        3.2,
        "abstract",
        f"Indian series, {PLATEAU}",
        "sections at a quarter of the width, not the longest",
    ),
    "lateral_plateau_depth": Published(
        "depth of the lateral plateau, mm",
        (46.9, 2.6),
        (40.9, 2.9),
        4.8,
        "abstract",
        f"Indian series, {PLATEAU}",
        "42.4 and 47.7 by Cheng",
        (0.8, 1.8),
    ),
    "slope_medial": Published(
        "posterior slope, medial, degrees", (5.86, 3.0), (6.61, 3.32), 1.0, "abstract", MRI285
    ),
    "slope_lateral": Published(
        "posterior slope, lateral, degrees",
        (4.41, 3.35),
        (4.63, 2.85),
        1.2,
        "abstract",
        MRI285,
        "46 CTs have it steeper than medial: 7.5 against 5.2",
    ),
    "tibia_medial_angle": Published(
        "MPTA, degrees", (87.0, 2.1), (87.0, 2.1), 0.8, "memory", "Paley 2002; SD Bellemans 2012"
    ),
    "tibia_shaft_ap": Published(
        "tibial shaft front to back at 9 cm, mm", (32, 3), (28, 3), 1.5, "design", "no table found"
    ),
    "tibia_shaft_ml": Published(
        "tibial shaft side to side at 9 cm, mm", (33.5, 3), (29.8, 3), 2.0, "design", "real films"
    ),
    "tuberosity_ratio": Published(
        "tuberosity below the joint line / W",
        (0.295, 0.03),
        (0.295, 0.03),
        0.06,
        "abstract, SD design",
        CT215,
        "our foremost point may lie on the crest below",
        (0.8, 3.0),
    ),
    "tt_tg": Published(
        "tuberosity lateral of the groove, mm",
        (10.91, 4.0),
        (10.91, 4.0),
        3.2,
        "abstract, SD memory",
        "CT of 87 controls, PMC5134791",
        "the foremost point of ours jumps along the tuberosity",
    ),
    "fibula_ratio": Published(
        "fibular tip below the joint line / W",
        (0.232, 0.03),
        (0.232, 0.03),
        0.075,
        "abstract, SD design",
        CT215,
        "0.29 on ten marked films; drawn at half of what is missing from 0.26",
    ),
    "fibula_lateral": Published(
        "fibular tip lateral of the middle / half the plateau",
        (0.68, 0.08),
        (0.68, 0.08),
        0.2,
        "computed",
        "the shape model's 26 people, lying",
        "keeps clear of the tibia",
        (0.8, 2.5),
    ),
    "patella_lower_pole_ratio": Published(
        "lower pole of the patella above the joint line / W",
        (0.165, 0.09),
        (0.165, 0.09),
        0.05,
        "abstract, SD design",
        CT215,
    ),
    "patella_width": Published(
        "width of the patella, mm", (46, 3), (40, 3), 2.0, "design", "no table found"
    ),
    "patella_height": Published(
        "height of the patella, mm", (44, 3), (39, 3), 1.0, "design", "no table found"
    ),
    "patella_width_to_thickness": Published(
        "patella's width / thickness",
        (1.8, 0.1),
        (1.8, 0.1),
        0.12,
        "abstract",
        "43 MRI, Bone Joint J suppl",
        "with cartilage there, bone alone here",
        (0.8, 2.2),
    ),
    "patella_tilt": Published(
        "lateral tilt of the patella, degrees",
        (9.8, 5.0),
        (9.8, 5.0),
        4.0,
        "abstract, SD design",
        "CT of 87 controls, PMC5134791",
        "one in ten is drawn astray",
    ),
    "insall_salvati": Published(
        "tendon (as drawn) / patella",
        (1.04, 0.18),
        (1.08, 0.18),
        0.05,
        "design",
        "between Hong 2020, Aglietti 1983 and Upadhyay 2013",
    ),
    "gap_medial": Published(
        "narrowest medial joint space, standing, mm",
        (5.7, 0.8),
        (4.8, 0.7),
        0.5,
        "abstract",
        "119 adults, BMC Musculoskelet Disord 2008;9:119",
    ),
    "gap_lateral": Published(
        "narrowest lateral joint space, standing, mm",
        (6.2, 0.9),
        (5.5, 0.8),
        0.5,
        "design",
        "wider than medial",
    ),
    "cortex_80": Published(
        "femoral cortex 8 cm up, mm",
        (5.0, 0.7),
        (4.5, 0.7),
        1.6,
        "computed",
        "23 real films",
        "films show the wall at its edges; ours is area over outline; "
        "method papers have 1.5 to 3 here (memory, unsure)",
        (0.5, 1.8),
    ),
    "cortex_140": Published(
        "femoral cortex 14 cm up, mm",
        (6.0, 0.6),
        (5.5, 0.6),
        1.0,
        "memory, unsure",
        "4 to 6",
        "",
        (0.6, 1.8),
    ),
}


@dataclass(frozen=True)
class Correlation:
    """r between two measures, both sexes together, and how far generated knees may differ."""

    one: str
    other: str
    r: float
    allowed: float
    mark: str
    source: str


XIAO = "r squared 0.72, Xiao et al., J Arthroplasty 2017;32:1351"
CORRELATIONS = [
    Correlation("femur_width", "adductor_height", 0.85, 0.08, "abstract", XIAO),
    Correlation(
        "femur_width", "femur_depth", 0.84, 0.1, "abstract", "nearly all lengths, r squared 0.7"
    ),
    Correlation("femur_width", "plateau_width", 0.84, 0.1, "abstract", "as above"),
    Correlation("femur_width", "patella_width", 0.84, 0.12, "abstract", "as above"),
    Correlation(
        "femur_width",
        "plateau_depth",
        0.84,
        0.4,
        "abstract",
        "as above; our sagittal sections turn with the widest direction, which jumps",
    ),
    Correlation("slope_medial", "slope_lateral", 0.5, 0.2, "design", "no table found"),
    Correlation("cortex_80", "cortex_140", 0.5, 0.3, "design", "no table found"),
]


def measured(knee: Knee, frames: Frames | None = None) -> dict[str, float]:
    """All rows of `PUBLISHED` on one extended knee, with those that only a whole knee shows."""
    frames = frames_of(knee.bones) if frames is None else frames
    out = measure(knee.bones, knee.points, frames)
    f, patella = frames.femur, knee.bones["patella"].vertices
    femur = knee.bones["femur"].vertices
    low = float((femur @ f.shaft).min())
    for height in (80, 140):
        out[f"cortex_{height}"] = wall(
            knee.bones["femur"], knee.marrow["femur"], f.shaft, low + height
        )
    distal = femur[(femur - f.origin) @ f.y < 45]
    (out["gap_medial"], out["gap_lateral"], _), _ = spaces(distal, knee.bones["tibia"], frames)
    local = (patella - f.origin) @ np.stack([f.x, f.y, f.z]).T
    out["insall_salvati"] = float(knee.facts["tendon_mm"]) / longest(local)
    out["adductor_height"] = out["adductor_ratio"] * out["femur_width"]
    return out


def population(count: int) -> Mapping[str, Mapping[str, Array]]:
    """Measures of `count` standing, straight knees of each sex: sex to measure to (count,)."""
    source, out = ShapeModelSource(), {}
    for offset, sex in enumerate(("male", "female")):
        rows = [
            measured(
                source.sample(
                    np.random.default_rng([offset, seed]),
                    AnatomyRequest(sex=sex, flexion_deg=0.0, weight_bearing=True),
                )
            )
            for seed in range(count)
        ]
        out[sex] = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return out

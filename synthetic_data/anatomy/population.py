"""What a population of adult knees looks like: published means and SDs, and one draw from them.

Sizes scale with one draw of overall size (the femoral epicondylar width), as published
correlations ask (most lengths of the knee follow femoral width with r squared about 0.7), each
with a remainder of its own. Rows: quantity, mean and SD for men and women, source. "Design
value" marks numbers for which no published table could be opened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SIZE_R = 0.7
"""Correlation of a length with femoral width within one sex. Published is r squared 0.7 of both
sexes together (Xiao et al., J Arthroplasty 2017;32:1351, for the height of the adductor tubercle;
taken for all lengths), of which the difference between the sexes is a good part."""


@dataclass(frozen=True)
class Row:
    """A published quantity: (mean, SD) in men and women, how it follows size, and its source."""

    male: tuple[float, float]
    female: tuple[float, float]
    follows: float
    source: str


ROWS: dict[str, Row] = {
    # Dry Greek bones are the widest series; a tubercle 45 mm high at 0.56 W means 80 mm in both
    # sexes together. The spread covers both.
    "femur_width": Row(
        (86.5, 4.6),
        (77.2, 3.9),
        1.0,
        "between 88.6 and 78.5 (Anat Res Int 2012:679658, dry bone) and 80 of both sexes "
        "(s13018-019-1221-y); SD of both",
    ),
    "femur_depth": Row(
        (61.1, 3.35), (55.65, 2.5), SIZE_R, "Anat Res Int 2012:679658, mean of both condyles"
    ),
    # No table could be opened; open AP films show about 0.47 of the epicondylar width there.
    "femur_shaft_ml": Row((41, 3), (36.5, 3), 0.6, "design value, 10 cm above the joint"),
    "femur_shaft_ap": Row((31, 3), (27, 3), 0.6, "design value, 10 cm above the joint"),
    "femur_lateral_angle": Row(
        (81, 1.8), (81, 1.8), 0.0, "Paley 2002 (aLDFA 79-83), SD Bellemans 2012, from memory"
    ),
    "adductor_ratio": Row((0.56, 0.03), (0.56, 0.03), 0.0, "Xiao et al. 2017;32:1351"),
    # Series differ by 8 mm; on real films the plateau is 0.95 of the epicondylar width, in the
    # shape model 0.94 (an MRI series of 76.0 and 67.3 would give 0.87).
    "tibia_width": Row(
        (81.5, 4.2),
        (72.0, 3.6),
        SIZE_R,
        "between the series 75.2-83.0 and 66.1-71.7 of PMC9703208; SD covers them",
    ),
    "tibia_depth": Row(
        (50.5, 2.6), (45.0, 2.35), SIZE_R, "mean of both plateaux, Cheng in PMC9703208"
    ),
    "tibia_shaft_ap": Row((32, 3), (28, 3), 0.6, "design value, below the tuberosity"),
    # The same films show about 0.37 of the epicondylar width.
    "tibia_shaft_ml": Row((33.5, 3), (29.8, 3), 0.6, "design value, 9 cm below the joint"),
    "slope_medial": Row((5.86, 3.0), (6.61, 3.32), 0.0, "Knee Surg Relat Res 2021, MRI"),
    "slope_lateral": Row((4.41, 3.35), (4.63, 2.85), 0.0, "Knee Surg Relat Res 2021, MRI"),
    "tibia_medial_angle": Row(
        (87, 2.1), (87, 2.1), 0.0, "Paley 2002 (MPTA 85-90), SD Bellemans 2012, from memory"
    ),
    # CT has 0.232 (J Orthop Surg Res 2018, s13018-018-0963-2); ten marked films have 0.29, where
    # the head, lying behind, is thrown lower by a beam that comes from above.
    "fibula_ratio": Row((0.26, 0.03), (0.26, 0.03), 0.0, "between CT and films; SD design"),
    "tubercle_ratio": Row(
        (0.295, 0.03), (0.295, 0.03), 0.0, "J Orthop Surg Res 2018, s13018-018-0963-2; SD design"
    ),
    "patella_width": Row((46, 3), (40, 3), SIZE_R, "design value"),
    "patella_height": Row((44, 3), (39, 3), SIZE_R, "design value"),
    "patella_thickness": Row((24, 2), (21, 2), SIZE_R, "design value"),
    # Series differ by more than their own spread: Korea 0.87 and 0.92, SD 0.14 (Hong 2020),
    # Aglietti 1983 1.01 and 1.06, India 1.12 and 1.17, SD 0.18 (Upadhyay 2013).
    "insall_salvati": Row(
        (1.05, 0.18), (1.11, 0.18), 0.0, "between the series above, SD that covers them"
    ),
    "gap_medial": Row((5.7, 0.8), (4.8, 0.7), 0.0, "BMC Musculoskelet Disord 2008;9:119"),
    "gap_lateral": Row((6.2, 0.9), (5.5, 0.8), 0.0, "design value: wider than medial"),
    "gap_patella": Row(
        (4.6, 0.8), (4.2, 0.7), 0.0, "cartilage 4.1 on the patella, BJJ; rest design"
    ),
    "cortex_80": Row(
        (5.0, 0.7), (4.5, 0.7), 0.3, "8 cm from the joint, from 23 real films; SD design"
    ),
    "cortex_140": Row((6.0, 0.6), (5.5, 0.6), 0.3, "design value within 4-6, 14 cm from the joint"),
    # How the shape model's own shape is changed, mm unless said; what comes out is measured
    # against published sulcus angle, notch width and so on in docs/reference/anatomy.md.
    "groove_deeper": Row((0.2, 0.75), (0.2, 0.75), 0.0, "design: sulcus angle 138 SD 6"),
    "notch_narrower": Row((0.0, 0.6), (0.0, 0.6), 0.0, "design: notch width SD 1.0 to 1.8"),
    "dish_medial": Row((3.5, 1.0), (3.5, 1.0), 0.0, "design: the model's plateau is domed"),
    "dish_lateral": Row((2.3, 1.0), (2.3, 1.0), 0.0, "design: less hollow than medial"),
    "tubercle_bump": Row((2.0, 0.7), (2.0, 0.7), 0.0, "design value"),
    "tuberosity_bump": Row((2.4, 0.9), (2.4, 0.9), 0.0, "design value"),
    "spine_bump_medial": Row((1.4, 0.6), (1.4, 0.6), 0.0, "design value"),
    "spine_bump_lateral": Row((1.4, 0.6), (1.4, 0.6), 0.0, "design value"),
    "patella_ridge": Row((0.0, 1.5), (0.0, 1.5), 0.0, "design: ridge medial of the middle"),
    "fibula_back": Row((-2.0, 1.2), (-2.0, 1.2), 0.0, "design: SD 3.1 in the shape model's people"),
    "fibula_out": Row((0.0, 1.8), (0.0, 1.8), 0.0, "design: SD 2.6 in the shape model's people"),
    "femur_bow_front": Row((0.0, 3.0), (0.0, 3.0), 0.0, "design: at 20 cm, radius 1.1 SD 0.2 m"),
    "femur_bow_side": Row((0.0, 2.0), (0.0, 2.0), 0.0, "design: at 20 cm"),
    "tibia_bow_front": Row((0.0, 2.0), (0.0, 2.0), 0.0, "design: at 20 cm"),
    "tibia_bow_side": Row((0.0, 2.0), (0.0, 2.0), 0.0, "design: at 20 cm"),
    # Anteversion 11.7 SD 8.2 (Adv Comput Tomogr 2015) arises over the whole femur: half of its
    # variance below the cut. Tibial torsion SD 8 (from memory) likewise.
    "femur_twist": Row((0.0, 5.8), (0.0, 5.8), 0.0, "Adv Comput Tomogr 2015, SD 8.2; share design"),
    "tibia_twist": Row((0.0, 5.7), (0.0, 5.7), 0.0, "SD 8, from memory; share design"),
    "bmi": Row((27.5, 4.5), (27.5, 5.5), 0.0, "design value"),
}


@dataclass(frozen=True)
class Person:
    """One draw: sex and a value for every row of `ROWS`."""

    sex: str
    values: dict[str, float]

    def __getitem__(self, name: str) -> float:
        return self.values[name]


def draw_person(rng: np.random.Generator, sex: str | None = None) -> Person:
    """A person of the population; normal draws cut at 2.5 SD.

    Medial and lateral slope share a part (r about 0.5, design value), so do the two shaft
    widths, the two gaps and the two cortical thicknesses.
    """
    if sex is None:
        sex = "female" if rng.random() < 0.5 else "male"
    size = _normal(rng)
    shared = {name: _normal(rng) for name in ("slope", "shaft", "gap", "cortex")}
    values = {}
    for name, row in ROWS.items():
        mean, sd = row.male if sex == "male" else row.female
        group = next((g for g in shared if g in name), None)
        rest = _normal(rng)
        if group is not None:
            rest = np.sqrt(0.5) * (shared[group] + rest)
        z = row.follows * size + np.sqrt(1 - row.follows**2) * rest
        values[name] = float(mean + sd * z)
    values["bmi"] = float(np.clip(values["bmi"], 18.0, 45.0))
    return Person(sex, values)


def _normal(rng: np.random.Generator) -> float:
    """A standard normal number cut at 2.5, scaled so that its SD is 1 again."""
    return min(max(float(rng.normal()), -2.5), 2.5) / 0.9885

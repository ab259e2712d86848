"""The one table of codes that exported objects carry.

Standard codes (SCT, DCM, UCUM) are those that pydicom's own dictionaries of the DICOM value sets
hold; a test looks each one up there. What was found in no such dictionary stands in a private
scheme under a plain meaning. A private code value is never used again for another meaning.
docs/reference/codes.md is made from this table.
"""

from __future__ import annotations

from dataclasses import dataclass

PRIVATE = "99SQUAREON"
SCHEME_NAME = "Squareon private codes"


@dataclass(frozen=True)
class Code:
    """One coded concept: value, scheme designator, meaning (at most 16, 16, 64 characters)."""

    value: str
    scheme: str
    meaning: str


STANDARD: dict[str, Code] = {
    # what is shown
    "knee": Code("72696002", "SCT", "Knee"),
    "femur": Code("71341001", "SCT", "Femur"),
    "tibia": Code("12611008", "SCT", "Tibia"),
    "patella": Code("64234005", "SCT", "Patella"),
    "fibula": Code("87342007", "SCT", "Fibula"),
    "left": Code("7771000", "SCT", "Left"),
    "right": Code("24028007", "SCT", "Right"),
    "plain radiography": Code("168537006", "SCT", "Plain radiography"),
    # how it is measured
    "length": Code("410668003", "SCT", "Length"),
    "flexion": Code("9964006", "SCT", "Flexion"),
    "probability": Code("122157", "DCM", "Probability"),
    "image view": Code("111031", "DCM", "Image View"),
    "AP": Code("399348003", "SCT", "antero-posterior"),
    "right lateral": Code("399198007", "SCT", "right lateral"),
    "left lateral": Code("399173006", "SCT", "left lateral"),
    # what it is
    "report": Code("126000", "DCM", "Imaging Measurement Report"),
    "comment": Code("121106", "DCM", "Comment"),
    # units
    "mm": Code("mm", "UCUM", "mm"),
    "degree": Code("deg", "UCUM", "Degree"),
    "percent": Code("%", "UCUM", "Percent"),
    "one": Code("1", "UCUM", "no units"),
}
"""Each is in pydicom's dictionaries of the DICOM value sets (pydicom 3.0)."""

UNITS: dict[str, Code] = {"pixel": Code("{pixels}", "UCUM", "pixels")}
"""UCUM annotations in curly braces are free text by UCUM's own rules (UCUM section 2.3,
from memory); `{pixels}` stands in highdicom's own examples of pixel units (from memory)."""

OWN: dict[str, Code] = {
    name: Code(value, PRIVATE, meaning)
    for name, value, meaning in (
        # titles
        ("unreviewed report", "SQ-001", "UNREVIEWED machine proposal, not a report"),
        ("rejected report", "SQ-002", "REJECTED by its reviewer, UNREVIEWED values, not a report"),
        # groups
        ("alignment", "SQ-010", "Alignment of the knee in the beam"),
        ("landmark", "SQ-011", "Landmark"),
        ("target", "SQ-012", "Target proposed for review, not for guidance"),
        ("warning zone", "SQ-013", "Warning zone of a nerve"),
        # angles
        ("rotation", "SQ-020", "Rotation of the knee in the beam"),
        ("tilt", "SQ-021", "Tilt of the knee in the beam"),
        ("roll", "SQ-022", "Roll of the femoral shaft on the picture"),
        ("off centre", "SQ-023", "Share of the angle from off-centring"),
        # lengths and figures
        ("radius 90", "SQ-030", "Radius that holds 90 % of the uncertainty"),
        ("epicondylar width", "SQ-031", "Epicondylar width on the film, at the knee"),
        ("score", "SQ-033", "Score of squareness, 0 to 100"),
        # the verdict
        ("square on", "SQ-040", "Is the knee square on"),
        ("yes", "SQ-041", "Square on"),
        ("no", "SQ-042", "Not square on"),
        ("cannot tell", "SQ-043", "Cannot tell"),
        ("pass", "SQ-044", "Within the tolerance"),
        ("fail", "SQ-045", "Outside the tolerance"),
        # criteria
        ("tolerance", "SQ-046", "Tolerance"),
        ("judged", "SQ-047", "Judged against the tolerance"),
        ("value", "SQ-048", "Value of the criterion, relative to the width of the knee"),
        ("criterion", "SQ-059", "Another criterion of positioning"),
        # review
        ("origin", "SQ-060", "Where the point comes from"),
        ("as proposed", "SQ-061", "As the program proposed it"),
        ("moved", "SQ-062", "Moved by the reviewer"),
        ("added", "SQ-063", "Added by the reviewer"),
        ("review", "SQ-064", "State of the review"),
        ("proposed", "SQ-065", "UNREVIEWED: nobody has looked at it"),
        ("accepted", "SQ-066", "Accepted by the reviewer as proposed"),
        ("changed", "SQ-067", "Accepted by the reviewer with changes"),
        ("rejected", "SQ-068", "Rejected by the reviewer"),
        # targets
        ("superomedial", "SQ-070", "Superomedial target"),
        ("superolateral", "SQ-071", "Superolateral target"),
        ("inferomedial", "SQ-072", "Inferomedial target"),
        ("suprapatellar", "SQ-073", "Suprapatellar target"),
        ("another target", "SQ-079", "Another target"),
        # warning zones
        ("common peroneal nerve", "SQ-080", "Zone of the common peroneal nerve"),
        ("another zone", "SQ-089", "Another warning zone"),
    )
}

LANDMARK: dict[str, Code] = {
    name: Code(value, PRIVATE, meaning)
    for name, value, meaning in (
        ("medial_epicondyle", "SQ-101", "Medial epicondyle of the femur"),
        ("lateral_epicondyle", "SQ-102", "Lateral epicondyle of the femur"),
        ("adductor_tubercle", "SQ-103", "Tip of the adductor tubercle"),
        ("medial_condyle_distal", "SQ-104", "Distal point of the medial femoral condyle"),
        ("lateral_condyle_distal", "SQ-105", "Distal point of the lateral femoral condyle"),
        (
            "medial_condyle_posterior",
            "SQ-106",
            "Posterior point of the medial femoral condyle",
        ),
        (
            "lateral_condyle_posterior",
            "SQ-107",
            "Posterior point of the lateral femoral condyle",
        ),
        ("trochlea_anterior", "SQ-108", "Most anterior point of the trochlea"),
        ("notch_apex", "SQ-109", "Apex of the intercondylar notch"),
        ("medial_femoral_flare", "SQ-110", "Medial flare of the femur"),
        ("lateral_femoral_flare", "SQ-111", "Lateral flare of the femur"),
        ("femoral_shaft_medial_low", "SQ-112", "Medial cortex of the femoral shaft, low"),
        ("femoral_shaft_medial_high", "SQ-113", "Medial cortex of the femoral shaft, high"),
        ("femoral_shaft_lateral_low", "SQ-114", "Lateral cortex of the femoral shaft, low"),
        ("femoral_shaft_lateral_high", "SQ-115", "Lateral cortex of the femoral shaft, high"),
        ("femoral_shaft_anterior_low", "SQ-116", "Anterior cortex of the femoral shaft, low"),
        ("femoral_shaft_anterior_high", "SQ-117", "Anterior cortex of the femoral shaft, high"),
        ("femoral_shaft_posterior_low", "SQ-118", "Posterior cortex of the femoral shaft, low"),
        ("femoral_shaft_posterior_high", "SQ-119", "Posterior cortex of the femoral shaft, high"),
        ("medial_plateau_edge", "SQ-120", "Medial edge of the tibial plateau"),
        ("lateral_plateau_edge", "SQ-121", "Lateral edge of the tibial plateau"),
        ("medial_plateau_anterior", "SQ-122", "Anterior rim of the medial tibial plateau"),
        ("medial_plateau_posterior", "SQ-123", "Posterior rim of the medial tibial plateau"),
        ("lateral_plateau_anterior", "SQ-124", "Anterior rim of the lateral tibial plateau"),
        ("lateral_plateau_posterior", "SQ-125", "Posterior rim of the lateral tibial plateau"),
        ("medial_spine", "SQ-126", "Tip of the medial tibial spine"),
        ("lateral_spine", "SQ-127", "Tip of the lateral tibial spine"),
        ("medial_tibial_flare", "SQ-128", "Medial flare of the tibia"),
        ("tibial_shaft_medial_high", "SQ-129", "Medial cortex of the tibial shaft, high"),
        ("tibial_shaft_medial_low", "SQ-130", "Medial cortex of the tibial shaft, low"),
        ("tibial_shaft_lateral_high", "SQ-131", "Lateral cortex of the tibial shaft, high"),
        ("tibial_shaft_lateral_low", "SQ-132", "Lateral cortex of the tibial shaft, low"),
        ("tibial_shaft_anterior_high", "SQ-133", "Anterior cortex of the tibial shaft, high"),
        ("tibial_shaft_anterior_low", "SQ-134", "Anterior cortex of the tibial shaft, low"),
        ("tibial_shaft_posterior_high", "SQ-135", "Posterior cortex of the tibial shaft, high"),
        ("tibial_shaft_posterior_low", "SQ-136", "Posterior cortex of the tibial shaft, low"),
        ("patella_superior", "SQ-137", "Most superior point of the patella"),
        ("patella_inferior", "SQ-138", "Most inferior point of the patella"),
        ("patella_medial", "SQ-139", "Most medial point of the patella"),
        ("patella_lateral", "SQ-140", "Most lateral point of the patella"),
        ("fibular_head", "SQ-141", "Tip of the fibular head"),
        ("tibial_tuberosity", "SQ-142", "Most anterior point of the tibial tuberosity"),
    )
}
"""One code for each landmark of `pipeline.knee.landmarks`."""

CRITERION: dict[str, Code] = {
    name: Code(value, PRIVATE, meaning)
    for name, value, meaning in (
        ("patella centring", "SQ-050", "Patella off the middle between the condyles"),
        ("medial plateau gap", "SQ-051", "Gap between the rims of the medial tibial plateau"),
        ("lateral plateau gap", "SQ-052", "Gap between the rims of the lateral tibial plateau"),
        ("condyle offset front to back", "SQ-053", "Offset of the condyles front to back"),
        ("condyle offset up and down", "SQ-054", "Offset of the condyles up and down"),
        ("fibular overlap", "SQ-055", "Overlap of the fibular head and the tibia"),
        ("epicondyle symmetry", "SQ-056", "Difference of the epicondyles from the middle"),
    )
}
"""One code for each criterion that ships, by its name in a reading."""


def every() -> list[tuple[str, Code]]:
    """All codes with the name they have here, in the order of the tables."""
    tables = (STANDARD, UNITS, OWN, CRITERION, LANDMARK)
    return [(name, code) for table in tables for name, code in table.items()]

"""Words and numbers of the benchmark's page, in its language.

Suites and entries that ship have words; those of others keep their names. Landmarks keep the names
that they have in landmarks.csv.
"""

from __future__ import annotations

from pipeline.bench.films import CLOSE, OTHER, SAME, UNKNOWN
from pipeline.bench.suite_tables import words
from pipeline.language import Speech, mark_within

NO_FIGURES = "-"

SUITES = (
    mark_within("suite", "clean"),
    mark_within("suite", "exposure"),
    mark_within("suite", "noise"),
    mark_within("suite", "blur"),
    mark_within("suite", "scatter"),
    mark_within("suite", "field of view"),
    mark_within("suite", "off centring"),
    mark_within("suite", "flexion"),
    mark_within("suite", "osteoarthritis"),
    mark_within("suite", "arthroplasty"),
    mark_within("suite", "hardware"),
    mark_within("suite", "c arm"),
    mark_within("suite", "instruments"),
    mark_within("suite", "scanned film"),
    mark_within("suite", "another renderer"),
    mark_within("suite", "own"),
    mark_within("suite", "all suites"),
)
ABOUT = (
    mark_within("about", "radiographs of healthy adult knees, as practice draws them"),
    mark_within("about", "a twentieth of the dose"),
    mark_within("about", "grain added to the finished picture, 6 % of its range"),
    mark_within("about", "the finished picture blurred by 3 pixels"),
    mark_within("about", "four times the scatter"),
    mark_within("about", "a field of 90 to 130 mm"),
    mark_within("about", "the knee 60 mm off the central ray"),
    mark_within("about", "flexed by 30 to 45 degrees in both views"),
    mark_within("about", "every knee with osteoarthritis"),
    mark_within("about", "every knee replaced"),
    mark_within("about", "nails, plates and screws, most knees with at least one"),
    mark_within("about", "frames of a C-arm"),
    mark_within("about", "frames of a C-arm with introducers in place"),
    mark_within("about", "film scanned after years in a folder"),
    mark_within(
        "about",
        "path lengths by casting rays, three energies, another tone and another noise",
    ),
)
"""What the suites of `configs/suite` are, word for word; a test holds them together."""
ENTRIES = (
    mark_within("entry", "network"),
    mark_within("entry", "classical"),
    mark_within("entry", "mean shape"),
)
STATES = {
    SAME: mark_within("digest", "identical"),
    CLOSE: mark_within("digest", "within tolerance"),
    OTHER: mark_within("digest", "different"),
    UNKNOWN: mark_within("digest", "not published"),
}
ERRORS = (mark_within("error", "radial"), mark_within("error", "normal"))


def suite(t: Speech, name: str) -> str:
    return t.within("suite", words(name))


def entry(t: Speech, name: str) -> str:
    return t.within("entry", words(name))


def number(t: Speech, value: float | None, digits: int = 2, *, signed: bool = False) -> str:
    """A number, or a dash."""
    return NO_FIGURES if value is None else t.number(value, digits, signed=signed)


def short(t: Speech, value: float) -> str:
    """As many digits as it has, for ticks."""
    return t.number(value, len(f"{value:.6f}".rstrip("0").partition(".")[2]))

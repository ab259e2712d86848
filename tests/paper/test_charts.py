"""Charts read in grey and by colour-blind people."""

from __future__ import annotations

import io
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from skimage.color import rgb2lab

from pipeline.records.paper import charts

# What is left of linear RGB for people without one of the three cones: Machado, Oliveira and
# Fernandes 2009, severity 1.0 (numbers from memory).
SIGHT = {
    "all three": np.eye(3),
    "without the long": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "without the middle": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "without the short": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}
APART = 12.0
"""Least distance in CIELAB (design value; 2.3 is just noticeable, Mahy 1994, from memory)."""


def linear(colour: str) -> NDArray[np.float64]:
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def seen(colour: str, sight: str) -> NDArray[np.float64]:
    """CIELAB of a colour as somebody sees it."""
    rgb = np.clip(SIGHT[sight] @ linear(colour), 0, 1)
    srgb = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)
    return rgb2lab(srgb.reshape(1, 1, 3)).ravel()


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(
    "colours", [[s.colour for s in charts.STYLES], charts.FILLS], ids=["lines", "bars"]
)
def test_colours_are_apart_for_everybody(colours: list[str], sight: str) -> None:
    for a, b in combinations(colours, 2):
        assert np.linalg.norm(seen(a, sight) - seen(b, sight)) >= APART, (a, b, sight)


def test_colour_is_never_the_only_difference() -> None:
    assert len({style.dash for style in charts.STYLES}) == len(charts.STYLES)
    assert len({style.marker for style in charts.STYLES}) == len(charts.STYLES)
    assert len(set(charts.HATCHES)) == len(charts.FILLS)


def test_lines_show_against_the_sheet() -> None:
    for style in charts.STYLES[:3]:
        bright, dark = 1.05, linear(style.colour) @ [0.2126, 0.7152, 0.0722] + 0.05
        assert bright / dark >= 3, style  # WCAG 2.2, 1.4.11


def test_a_chart_is_a_picture_in_both_forms_and_leaves_no_figure_behind() -> None:
    drawn = charts.lines(
        [charts.Line("a", [1, 2], [1.0, None], [0, 0], [2, 2])], x_label="x", y_label="y"
    )
    block = charts.picture(drawn, "one line", "Its caption")
    assert block.kind == "svg+xml"
    assert np.asarray(Image.open(io.BytesIO(block.raster))).std() > 1
    assert b"http-equiv" not in block.data
    again = charts.picture(
        charts.lines(
            [charts.Line("a", [1, 2], [1.0, None], [0, 0], [2, 2])], x_label="x", y_label="y"
        ),
        "one line",
        "",
    )
    assert again.data == block.data


def test_bars_and_spans_draw() -> None:
    rows = [charts.Span("a", 1.0, -1.0, 2.0), charts.Span("unknown", None, None, None)]
    assert charts.picture(charts.spans(rows, x_label="x", band=(-1, 1)), "spans").raster
    bars = charts.stacks(["one", "two"], [("yes", [1, 2]), ("no", [0, 3])], x_label="films")
    assert charts.picture(bars, "bars").raster

"""The scale rules: by the words of the standard, never a guess."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.readers import dicom_scale as rules
from pipeline.readers.dicom_scale import SpacingTags, scale_of

spacings = st.floats(0.05, 0.6)
magnifications = st.floats(1.02, 1.6)
anything = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True))
pairs = st.one_of(st.none(), st.tuples(st.floats(), st.floats()), st.tuples(spacings, spacings))


def square(mm: float) -> tuple[float, float]:
    return mm, mm


@given(imager=spacings, factor=magnifications)
def test_imager_spacing_is_divided_by_the_magnification(imager: float, factor: float) -> None:
    scale, cautions = scale_of(SpacingTags(imager=square(imager), factor=factor))
    assert scale.rule == "imager spacing and magnification"
    assert scale.mm_per_px_detector == pytest.approx(imager)
    assert scale.mm_per_px_knee == pytest.approx(imager / factor)
    assert cautions == ()


@given(imager=spacings, sid=st.floats(900, 1500), gap=st.floats(30, 250))
def test_imager_spacing_with_distances(imager: float, sid: float, gap: float) -> None:
    # Similar triangles: a length at SOD casts a shadow SID / SOD times as long.
    sod = sid - gap
    scale, _ = scale_of(SpacingTags(imager=square(imager), sid_mm=sid, sod_mm=sod))
    assert scale.rule == "imager spacing and distances"
    assert scale.mm_per_px_knee is not None
    shadow = 10 * sid / sod
    assert scale.mm_per_px_knee * (shadow / imager) == pytest.approx(10)


def test_a_worked_example() -> None:
    # 0.143 mm pixels, 1150 mm to the detector, 1000 mm to the knee: 0.143 x 1000 / 1150.
    scale, _ = scale_of(SpacingTags(imager=(0.143, 0.143), sid_mm=1150, sod_mm=1000))
    assert scale.mm_per_px_knee == pytest.approx(0.124348, abs=1e-6)


@given(imager=spacings)
def test_imager_spacing_alone_says_nothing_about_the_knee(imager: float) -> None:
    for tags in (
        SpacingTags(imager=square(imager)),
        SpacingTags(imager=square(imager), pixel=square(imager)),
        SpacingTags(imager=square(imager), sid_mm=1150),
        SpacingTags(imager=square(imager), sod_mm=1000),
    ):
        scale, cautions = scale_of(tags)
        assert scale.rule == "imager spacing"
        assert scale.mm_per_px_detector == pytest.approx(imager)
        assert scale.mm_per_px_knee is None
        assert cautions == ()


@given(pixel=spacings)
def test_pixel_spacing_alone_gives_no_mm(pixel: float) -> None:
    scale, cautions = scale_of(SpacingTags(pixel=square(pixel)))
    assert (scale.mm_per_px_detector, scale.mm_per_px_knee, scale.rule) == (None, None, "none")
    assert len(cautions) == 1


@given(pixel=spacings, kind=st.sampled_from(["FIDUCIAL", "GEOMETRY"]))
def test_calibration_type_puts_pixel_spacing_at_the_knee(pixel: float, kind: str) -> None:
    scale, _ = scale_of(SpacingTags(pixel=square(pixel), calibration=kind))
    assert scale.mm_per_px_knee == pytest.approx(pixel)
    assert scale.mm_per_px_detector is None
    assert scale.rule == f"calibrated by {kind.lower()}"


@given(imager=spacings, factor=magnifications)
def test_pixel_spacing_unlike_imager_spacing_is_calibrated(imager: float, factor: float) -> None:
    pixel = imager / factor
    # A wrong factor beside it must not be used.
    scale, _ = scale_of(SpacingTags(pixel=square(pixel), imager=square(imager), factor=2.9))
    assert scale.rule == "calibrated, method not stated"
    assert scale.mm_per_px_knee == pytest.approx(pixel)
    assert scale.mm_per_px_detector == pytest.approx(imager)


def test_equal_spacings_are_uncorrected_whatever_the_type_says() -> None:
    tags = SpacingTags(pixel=(0.15, 0.15), imager=(0.15, 0.15), calibration="FIDUCIAL")
    scale, cautions = scale_of(tags)
    assert (scale.rule, scale.mm_per_px_knee) == ("imager spacing", None)
    assert any("uncorrected" in caution for caution in cautions)


@given(imager=spacings, ratio=st.floats(1.01, 5))
def test_a_knee_behind_the_detector_is_not_believed(imager: float, ratio: float) -> None:
    scale, cautions = scale_of(SpacingTags(pixel=square(imager * ratio), imager=square(imager)))
    assert scale.mm_per_px_knee is None
    assert scale.rule == "imager spacing"
    assert cautions


def test_digitised_film_knows_the_film_only() -> None:
    scale, cautions = scale_of(SpacingTags(scanned=(0.0875, 0.0875)))
    assert scale.mm_per_px_detector == pytest.approx(0.0875)
    assert scale.mm_per_px_knee is None
    assert scale.rule == "nominal scanned spacing"
    assert cautions == ()


@given(
    bad=st.one_of(
        st.floats(max_value=0),
        st.floats(min_value=5.1),
        st.just(math.nan),
        st.just(math.inf),
    ),
    where=st.sampled_from(["pixel", "imager", "scanned"]),
    both=st.booleans(),
)
def test_impossible_spacing_gives_no_mm_and_a_caution(bad: float, where: str, both: bool) -> None:
    value = (bad, bad) if both else (0.15, bad)
    scale, cautions = scale_of(SpacingTags(**{where: value}, calibration="FIDUCIAL"))  # type: ignore[arg-type]
    assert (scale.mm_per_px_detector, scale.mm_per_px_knee, scale.rule) == (None, None, "none")
    assert len(cautions) == 1
    assert "cannot be" in cautions[0]


@given(mm=spacings, part=st.floats(0.011, 0.5), where=st.sampled_from(["pixel", "imager"]))
def test_oblong_pixels_give_no_mm(mm: float, part: float, where: str) -> None:
    tags = SpacingTags(**{where: (mm, mm * (1 - part))}, calibration="FIDUCIAL", factor=1.1)  # type: ignore[arg-type]
    assume(mm * (1 - part) > 0.01)
    scale, cautions = scale_of(tags)
    assert scale.rule == "none"
    assert "not square" in cautions[0]
    assert scale_of(SpacingTags(imager=(mm, mm), aspect=(1, 1 - part)))[0].rule == "none"


@given(factor=st.one_of(st.floats(max_value=0.99), st.floats(min_value=3.01), st.just(math.nan)))
def test_impossible_magnification_is_not_used(factor: float) -> None:
    scale, cautions = scale_of(SpacingTags(imager=(0.15, 0.15), factor=factor))
    assert (scale.rule, scale.mm_per_px_knee) == ("imager spacing", None)
    assert cautions


def test_factor_and_distances_that_disagree_are_told() -> None:
    tags = SpacingTags(imager=(0.15, 0.15), factor=1.1, sid_mm=1200, sod_mm=900)
    scale, cautions = scale_of(tags)
    assert scale.mm_per_px_knee == pytest.approx(0.15 / 1.1)
    assert any("disagree" in caution for caution in cautions)


@given(
    pixel=pairs,
    imager=pairs,
    scanned=pairs,
    aspect=pairs,
    calibration=st.sampled_from([None, "FIDUCIAL", "GEOMETRY", "SOMETHING"]),
    factor=anything,
    sid=st.one_of(st.none(), st.floats(1, 3000)),
    sod=st.one_of(st.none(), st.floats(1, 3000)),
)
def test_whatever_the_header_holds_the_answer_is_sane(
    pixel: tuple[float, float] | None,
    imager: tuple[float, float] | None,
    scanned: tuple[float, float] | None,
    aspect: tuple[float, float] | None,
    calibration: str | None,
    factor: float | None,
    sid: float | None,
    sod: float | None,
) -> None:
    tags = SpacingTags(pixel, imager, scanned, calibration, factor, sid, sod, aspect)
    scale, _ = scale_of(tags)
    assert scale.rule in rules.RULES
    for mm in (scale.mm_per_px_detector, scale.mm_per_px_knee):
        assert mm is None or 0.003 < mm <= 5
    if scale.mm_per_px_detector and scale.mm_per_px_knee:
        assert scale.mm_per_px_knee <= scale.mm_per_px_detector * 1.0001
    assert (scale.rule == "none") == (scale.mm_per_px_detector is scale.mm_per_px_knee is None)

"""Looking at a part of a film first changes nothing: the same pixels and words as without."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from pipeline.readers import grey
from pipeline.readers.dicom_pixels import modality_values, used_bits
from pipeline.readers.files import sha256_beside, sha256_of


def _ends_by_sorting(values: np.ndarray) -> tuple[float, float]:
    """What cuts `OUTLIERS` off either end of whole numbers, by sorting them."""
    row = np.sort(values.ravel())
    at = np.ceil(np.array([grey.OUTLIERS, 1 - grey.OUTLIERS]) * row.size).astype(int) - 1
    low, high = row[np.clip(at, 0, row.size - 1)]
    return float(low), float(high)


def _limits(kind: type) -> tuple[float, float]:
    info = np.iinfo(kind)
    return float(info.min), float(info.max)


@settings(deadline=None, max_examples=150)
@given(
    seed=st.integers(0, 2**32 - 1),
    outer=st.sampled_from([0, 1, 2, 3, 5, 8, 20, 60]),
    body=st.sampled_from([2, 300, 499, 500, 501, 700, 1000]),
    kind=st.sampled_from([np.uint8, np.uint16, np.int16, np.float32]),
)
def test_a_range_that_is_certainly_full_is_not_clipped(
    seed: int, outer: int, body: int, kind: type
) -> None:
    rng = np.random.default_rng(seed)
    top = 250 if kind is np.uint8 else 1000
    values: np.ndarray = rng.integers(0, max(body * top // 1000, 1) + 1, (96, 110)).astype(kind)
    rows = rng.integers(0, 96, outer)
    values[rows, rng.integers(0, 110, outer)] = top
    low, high = float(values.min()), float(values.max())
    if low < high and grey._filled(values, low, high):
        inner_low, inner_high = (
            np.quantile(values, (grey.OUTLIERS, 1 - grey.OUTLIERS))
            if kind is np.float32
            else _ends_by_sorting(values)
        )
        assert high - low <= grey.STRETCH * (inner_high - inner_low)


def test_an_ordinary_picture_is_told_by_a_few_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.tile(np.arange(640, dtype=np.uint16), (480, 1))
    monkeypatch.setattr(grey, "_counts", lambda *_: pytest.fail("every pixel was counted"))
    pixels, cautions = grey.to_film(values)
    assert (pixels.min(), pixels.max(), cautions) == (0.0, 1.0, ())


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("beyond", [False, True])
@pytest.mark.parametrize("high", [11, 13])
def test_unused_bits_go_and_empty_ones_cost_nothing(signed: bool, beyond: bool, high: int) -> None:
    lowest, shift = (-2048 if signed else 0), high - 11
    wanted = np.arange(lowest, lowest + 4096).reshape(64, 64)
    stored = (wanted << shift) & 0xFFFF
    if beyond:
        stored = (stored & ((1 << high + 1) - 1)) | 0x8000 * (np.arange(64) % 2)
    header = Dataset()
    header.BitsStored, header.HighBit = 12, high
    values = stored.astype(np.uint16).view(np.int16 if signed else np.uint16)
    found = used_bits(values, header)
    assert np.array_equal(found, wanted)
    assert (found is values) == (high == 11 and not beyond)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.int16, np.int32, np.float32])
def test_a_falling_scale_turns_the_order_round(kind: type) -> None:
    rng = np.random.default_rng(4)
    low, high = (-1e3, 1e3) if kind is np.float32 else _limits(kind)
    values: np.ndarray = rng.uniform(low, high, (40, 50)).astype(kind)
    values[0, :2] = low, high
    header = Dataset()
    header.RescaleSlope, header.RescaleIntercept = -0.5, 7
    turned, falling, cautions = modality_values(values, header)
    assert (falling, cautions) == (True, ())
    wide = -values.astype(np.float64)
    assert np.array_equal(grey.to_film(turned)[0], grey.to_film(wide)[0])


def test_the_digest_found_beside_is_the_digest(tmp_path: Path) -> None:
    path = tmp_path / "film"
    path.write_bytes(b"an invented film" * 70_000)
    with sha256_beside(path) as digest:
        assert digest() == sha256_of(path) == digest()
    with pytest.raises(FileNotFoundError), sha256_beside(tmp_path / "none") as digest:
        digest()

"""Invented films as DICOM: read back by pydicom alone and by our reader."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.knee.film import Film, HeaderHints, Scale
from pipeline.readers.read import read_films
from pipeline.records.dicom_out import INVENTED, Invention, uid_of, write_dicom
from pipeline.registry import build

PIXELS = np.linspace(0, 1, 40 * 30, dtype=np.float32).reshape(40, 30)
FILM = Film(
    pixels=PIXELS,
    source="synthetic",
    sha256="0",
    scale=Scale(0.2, 0.18, "imager spacing and magnification"),
    header=HeaderHints(view="AP", side="right", body_part="KNEE", sid_mm=1100.0, sod_mm=990.0),
)
INVENTION = Invention("Somebody", "study", "series", "instance", orientation=("L", "F"))


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize("c_arm", [False, True])
def test_our_reader_gets_the_film_back(tmp_path: Path, photometric: str, c_arm: bool) -> None:
    film = replace(FILM, header=replace(FILM.header, c_arm=c_arm or None))
    path = tmp_path / "film.dcm"
    write_dicom(path, film, replace(INVENTION, photometric=photometric))
    (back,) = read_films(path, [build("reader", "dicom")])
    assert np.corrcoef(back.pixels.ravel(), PIXELS.ravel())[0, 1] > 0.9999, "bone stays bright"
    assert np.abs(back.pixels - PIXELS).max() < 2 / 4095
    assert back.scale.mm_per_px_detector == pytest.approx(0.2)
    assert back.scale.mm_per_px_knee == pytest.approx(0.18, rel=1e-4)
    assert (back.header.side, back.header.sid_mm, back.header.sod_mm) == ("right", 1100.0, 990.0)
    assert back.header.view == (None if c_arm else "AP")
    assert bool(back.header.c_arm) is c_arm
    assert back.header.flipped is False
    assert back.cautions == ()


def test_everything_says_that_it_is_invented(tmp_path: Path) -> None:
    write_dicom(tmp_path / "film.dcm", FILM, INVENTION)
    data = pydicom.dcmread(tmp_path / "film.dcm")
    for keyword in ("PatientName", "PatientID", "StudyDescription", "Manufacturer"):
        assert str(data[keyword].value).startswith(INVENTED), keyword
    assert data.PatientBirthDate == ""
    assert data.BitsStored == 12
    assert data.PresentationIntentType == "FOR PRESENTATION"


def test_same_film_is_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_dicom(tmp_path / name, FILM, INVENTION)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_no_scale_no_spacing(tmp_path: Path) -> None:
    write_dicom(tmp_path / "film.dcm", replace(FILM, scale=Scale()), INVENTION)
    assert "ImagerPixelSpacing" not in pydicom.dcmread(tmp_path / "film.dcm")


@given(st.text(), st.text())
def test_uids_are_valid_and_differ(one: str, two: str) -> None:
    uid = uid_of("study", one)
    assert uid.is_valid
    assert len(uid) <= 64
    assert (uid == uid_of("study", two)) == (one == two)
    assert uid != uid_of("series", one)

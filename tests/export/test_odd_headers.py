"""Films of all kinds that pydicom carries: objects without error, or one plain sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from export_cases import complaints, reading_of, record
from pydicom.data import get_testdata_file

from pipeline.knee.errors import Problem
from pipeline.records.export.deidentify import clean_film
from pipeline.records.export.presentation import presentation_state
from pipeline.records.export.report import Identity, measurement_report
from pipeline.records.export.source import open_film

ODD = ("JPEG2000.dcm", "JPGExtended.dcm", "image_dfl.dcm", "SC_rgb.dcm", "SC_rgb_2frame.dcm")


@pytest.mark.parametrize("name", ODD)
def test_objects_of_odd_films_have_no_error(name: str, tmp_path: Path) -> None:
    found = get_testdata_file(name, download=False)
    assert found is not None
    path = Path(str(found))
    reading = reading_of(path)
    film = open_film(path, reading["film"]["sha256"])
    one, out = record(reading), tmp_path / "made.dcm"
    measurement_report(one, film, Identity()).save_as(out, enforce_file_format=True)
    assert complaints(out) == []
    if int(film.SamplesPerPixel) == 1:
        presentation_state(one, film, Identity()).save_as(out, enforce_file_format=True)
        assert complaints(out) == []
    else:
        with pytest.raises(Problem, match="colour"):
            presentation_state(one, film, Identity())


def test_a_pointer_to_what_is_gone_goes_too(tmp_path: Path) -> None:
    path = Path(str(get_testdata_file("JPEG2000.dcm", download=False)))
    sha256 = reading_of(path)["film"]["sha256"]
    film = open_film(path, sha256, pixels=True)
    assert "FrameIncrementPointer" in film
    assert "FrameIncrementPointer" not in clean_film(film, b"k" * 32)


@pytest.mark.parametrize("name", ["CT_small.dcm", "rtplan.dcm", "reportsi.dcm"])
def test_what_is_no_film_is_told(name: str) -> None:
    path = Path(str(get_testdata_file(name, download=False)))
    with pytest.raises(Problem):
        open_film(path, reading_of(path)["film"]["sha256"])

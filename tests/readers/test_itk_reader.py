"""What SimpleITK reads beside the common formats."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk
from film_files import ReadAll, picture

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, Scale
from pipeline.readers.itk import ItkReader

ReadOne = Callable[[Path], Film]


def unit(values: np.ndarray) -> np.ndarray:
    values = values.astype(np.float64)
    return (values - values.min()) / (values.max() - values.min())


@pytest.mark.parametrize("name", ["a.nrrd", "a.mha", "a.mhd", "a.nii", "a.nii.gz", "a.nhdr"])
@pytest.mark.parametrize("depth", [np.uint8, np.int16, np.uint16, np.float32])
def test_pictures(name: str, depth: type, tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(top=255).astype(depth)
    image = sitk.GetImageFromArray(values)
    image.SetSpacing((0.2, 0.2))
    image.SetDirection((-1, 0, 0, 1))  # not applied: the stored matrix counts
    sitk.WriteImage(image, tmp_path / name)
    film = read_one(tmp_path / name)
    assert film.pixels == pytest.approx(unit(values), abs=1e-6)
    assert film.scale == Scale()
    assert film.frame is None


def test_bitmap(tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(top=255).astype(np.uint8)
    sitk.WriteImage(sitk.GetImageFromArray(values), tmp_path / "a.bmp")
    assert read_one(tmp_path / "a.bmp").pixels == pytest.approx(unit(values), abs=1e-6)


@pytest.mark.parametrize("slices", [1, 3])
def test_stacks(slices: int, tmp_path: Path, read_all: ReadAll) -> None:
    values = np.stack([picture() >> n for n in range(slices)])
    sitk.WriteImage(sitk.GetImageFromArray(values), tmp_path / "a.nrrd")
    films = read_all(tmp_path / "a.nrrd")
    assert [film.frame for film in films] == ([None] if slices == 1 else [1, 2, 3])
    for film, each in zip(films, values, strict=True):
        assert film.pixels == pytest.approx(unit(each), abs=1e-6)


def test_a_volume_is_refused(tmp_path: Path) -> None:
    sitk.WriteImage(sitk.GetImageFromArray(np.zeros((70, 8, 8), np.int16)), tmp_path / "a.nrrd")
    with pytest.raises(Problem, match="70 slices: a volume"):
        list(ItkReader().read(tmp_path / "a.nrrd"))


def test_no_number_in_a_pixel(tmp_path: Path, read_one: ReadOne) -> None:
    values = picture().astype(np.float32)
    values[3, 4], values[5, 6] = np.nan, np.inf
    sitk.WriteImage(sitk.GetImageFromArray(values), tmp_path / "a.nrrd")
    film = read_one(tmp_path / "a.nrrd")
    assert np.isfinite(film.pixels).all()
    assert film.pixels[3, 4] == 0
    assert any("2 pixels hold no number" in caution for caution in film.cautions)


def test_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "a.mha"
    sitk.WriteImage(sitk.GetImageFromArray(picture()), path)
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(Problem, match="cut short"):
        list(ItkReader().read(path))

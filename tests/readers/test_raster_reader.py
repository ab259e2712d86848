"""PNG, JPEG, TIFF: the stored matrix, its full depth, no scale."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from film_files import ReadAll, picture
from PIL import Image, TiffImagePlugin

from pipeline.knee.film import Film, Scale

ReadOne = Callable[[Path], Film]
FILMS = Path(__file__).parents[3] / "shared" / "films"


def unit(values: np.ndarray) -> np.ndarray:
    values = values.astype(np.float64)
    return (values - values.min()) / (values.max() - values.min())


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_grey_pictures(suffix: str, depth: type, tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(30, 20, np.iinfo(depth).max).astype(depth)
    path = tmp_path / f"film{suffix}"
    assert cv2.imwrite(str(path), values)  # written by another library than it is read with
    film = read_one(path)
    assert film.pixels == pytest.approx(unit(values), abs=1e-6)
    assert film.scale == Scale()
    assert film.frame is None
    assert film.cautions == ()


def test_the_first_bytes_count_not_the_name(tmp_path: Path, read_one: ReadOne) -> None:
    path = tmp_path / "film.dcm"
    Image.fromarray(picture(top=255).astype(np.uint8)).save(path, format="PNG")
    assert read_one(path).rows == 24


def test_big_endian_tiff(tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(top=60000)
    header = TiffImagePlugin.ImageFileDirectory_v2(prefix=b"MM")
    path = tmp_path / "film.tif"
    Image.fromarray(values.astype(">u2")).save(path, tiffinfo=header)
    assert path.read_bytes()[:2] == b"MM"
    assert read_one(path).pixels == pytest.approx(unit(values), abs=1e-6)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "TIFF", "PNG"])
def test_orientation_tag_is_told_not_applied(
    orientation: int, form: str, tmp_path: Path, read_one: ReadOne
) -> None:
    values = picture(32, 24, 255).astype(np.uint8)
    path = tmp_path / "film"
    exif = Image.Exif()
    exif[274] = orientation
    options = {"quality": 100} if form == "JPEG" else {}
    Image.fromarray(values).save(path, format=form, exif=exif, **options)
    film = read_one(path)
    assert film.pixels.shape == (32, 24)
    assert np.abs(film.pixels - unit(values)).max() < 0.03
    assert any("orientation" in caution for caution in film.cautions) == (orientation != 1)


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_tiff_whose_zero_is_white(depth: type, tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(top=np.iinfo(depth).max).astype(depth)
    path = tmp_path / "film.tif"
    # Written by hand, since writers turn the values round themselves.
    raw = values.astype(values.dtype.newbyteorder("<")).tobytes()
    tags = [
        (256, 3, values.shape[1]),
        (257, 3, values.shape[0]),
        (258, 3, values.dtype.itemsize * 8),
        (259, 3, 1),
        (262, 3, 0),
        (273, 4, 8),
        (277, 3, 1),
        (278, 4, values.shape[0]),
        (279, 4, len(raw)),
    ]
    end = 8 + len(raw)
    data = b"II*\0" + end.to_bytes(4, "little") + raw + len(tags).to_bytes(2, "little")
    for tag, kind, value in tags:
        data += tag.to_bytes(2, "little") + kind.to_bytes(2, "little")
        data += (1).to_bytes(4, "little") + value.to_bytes(4, "little")
    path.write_bytes(data + b"\0\0\0\0")
    assert read_one(path).pixels == pytest.approx(1 - unit(values), abs=1e-6)


def test_pages_are_frames_and_previews_are_not(tmp_path: Path, read_all: ReadAll) -> None:
    pages = [Image.fromarray(picture(20 + 4 * n, 16, 65535)) for n in range(3)]
    path = tmp_path / "film.tif"
    pages[0].save(path, save_all=True, append_images=pages[1:])
    films = read_all(path)
    assert [(film.frame, film.rows) for film in films] == [(1, 20), (2, 24), (3, 28)]
    pages[1].encoderinfo = {"tiffinfo": {254: 1}}
    pages[0].save(path, save_all=True, append_images=[pages[1]])
    assert [(film.frame, film.rows) for film in read_all(path)] == [(None, 20)]


def test_resolution_tags_give_no_scale(tmp_path: Path, read_one: ReadOne) -> None:
    path = tmp_path / "film.png"
    Image.fromarray(picture(top=255).astype(np.uint8)).save(path, dpi=(254, 254))
    assert Image.open(path).info["dpi"][0] == pytest.approx(254, abs=0.1)
    assert read_one(path).scale == Scale()


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P", "LA", "CMYK"])
def test_grey_kept_in_other_modes_stays_grey(mode: str, tmp_path: Path, read_one: ReadOne) -> None:
    values = picture(40, 30, 255).astype(np.uint8)
    path = tmp_path / "film.tif"
    Image.fromarray(values).convert(mode).save(path)
    film = read_one(path)
    assert np.abs(film.pixels - unit(values)).max() < 0.01
    assert not any("colour" in caution for caution in film.cautions)


def test_a_photo_is_read_with_a_caution(tmp_path: Path, read_one: ReadOne) -> None:
    rng = np.random.default_rng(5)
    path = tmp_path / "holiday.jpg"
    small = rng.integers(0, 255, (6, 8, 3), dtype=np.uint8)
    Image.fromarray(small).resize((160, 120)).save(path)
    film = read_one(path)
    assert film.pixels.shape == (120, 160)
    assert any("not a radiograph?" in caution for caution in film.cautions)


def test_blank_picture(tmp_path: Path, read_one: ReadOne) -> None:
    path = tmp_path / "film.png"
    Image.new("L", (20, 10), 77).save(path)
    film = read_one(path)
    assert not film.pixels.any()
    assert film.cautions == ("the picture is blank",)


def test_real_films_are_read_as_stored(read_one: ReadOne) -> None:
    if not FILMS.is_dir():
        pytest.skip("the real development films are not beside this checkout")
    names = [row["file"] for row in csv.DictReader((FILMS / "manifest.csv").open())]
    for name in (names[0], names[13], names[26]):
        film = read_one(FILMS / name)
        values = cv2.imread(str(FILMS / name), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
        assert film.pixels.shape == (2880, 2304)
        assert np.abs(film.pixels - unit(values)).max() <= 2 / 255  # two decoders' rounding
        assert film.cautions == ()

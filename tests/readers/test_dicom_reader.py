"""DICOM films: pixels as stored, bone bright, one film per frame, hints from the header."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import pytest
from film_files import ReadAll, WriteDicom, dataset, picture, save
from pydicom.dataset import Dataset
from pydicom.uid import (
    JPEG2000,
    JPEG2000Lossless,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from pipeline.knee.film import Film

ReadOne = Callable[[Path], Film]


def unit(values: np.ndarray) -> np.ndarray:
    """The independent reference: smallest to 0, largest to 1."""
    values = values.astype(np.float64)
    return (values - values.min()) / (values.max() - values.min())


@pytest.mark.parametrize("kind", ["CR", "DX", "DX processing", "XA", "RF", "SC", "SC word"])
def test_every_kind_of_projection_is_read_as_stored(
    kind: str, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    path = write_dicom(picture(), kind, bits=12)
    film = read_one(path)
    assert film.pixels.dtype == np.float32
    assert film.pixels == pytest.approx(unit(picture()), abs=1e-6)
    assert film.frame is None
    assert film.source == str(path)
    ds = pydicom.dcmread(path)
    assert film.sop_instance == ds.SOPInstanceUID
    assert film.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert film.study_digest == hashlib.sha256(ds.StudyInstanceUID.encode()).hexdigest()[:16]
    assert film.series_digest == hashlib.sha256(ds.SeriesInstanceUID.encode()).hexdigest()[:16]


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("signed", [False, True])
def test_bits_and_sign(bits: int, signed: bool, write_dicom: WriteDicom, read_one: ReadOne) -> None:
    values = picture(top=2**bits - 1).astype(np.int64)
    expected = unit(values)
    if signed:
        values -= 2 ** (bits - 1)
    size = 8 if bits == 8 else 16
    stored = values.astype(f"{'int' if signed else 'uint'}{size}")
    film = read_one(write_dicom(stored, bits=bits))
    assert film.pixels == pytest.approx(expected, abs=1e-6)
    assert film.cautions == ()


@pytest.mark.parametrize("signed", [False, True])
def test_overlays_kept_in_unused_bits_do_not_show(
    signed: bool, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    values = picture(top=4095).astype(np.int64) - (2048 if signed else 0)
    raw = (values & 0x0FFF).astype(np.uint16)
    raw[3:9, 2:7] |= 0xA000  # an overlay as old scanners kept it
    film = read_one(write_dicom(raw.view(np.int16) if signed else raw, bits=12))
    assert film.pixels == pytest.approx(unit(values), abs=1e-6)


def test_bits_stored_at_the_top(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    raw = (picture(top=4095) << 4) | 0x000F
    film = read_one(write_dicom(raw, bits=12, HighBit=15))
    assert film.pixels == pytest.approx(unit(picture(top=4095)), abs=1e-6)


@pytest.mark.parametrize(
    ("photometric", "shape", "inverted"),
    [
        ("MONOCHROME2", None, False),
        ("MONOCHROME2", "IDENTITY", False),
        ("MONOCHROME1", None, True),
        ("MONOCHROME1", "INVERSE", True),  # the two go together: one inversion, not two
        ("MONOCHROME2", "INVERSE", True),
    ],
)
def test_bone_is_bright(
    photometric: str,
    shape: str | None,
    inverted: bool,
    write_dicom: WriteDicom,
    read_one: ReadOne,
) -> None:
    film = read_one(write_dicom(PhotometricInterpretation=photometric, PresentationLUTShape=shape))
    expected = unit(picture())
    assert film.pixels == pytest.approx(1 - expected if inverted else expected, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "relationship", "sign", "slope", "inverted"),
    [
        ("XA", "LIN", None, None, True),
        ("RF", "LOG", 1, None, True),
        ("XA", "LOG", -1, None, False),
        ("XA", "DISP", None, None, False),
        ("XA", "LIN", None, -1, True),
        ("DX processing", "LIN", 1, None, True),
        ("DX processing", "LIN", -1, None, False),
        ("DX", "LOG", 1, None, False),  # made for the eye: its display is followed
        ("DX", "LOG", -1, None, False),
    ],
)
def test_polarity_from_the_physics_where_the_header_tells(
    kind: str,
    relationship: str,
    sign: int | None,
    slope: int | None,
    inverted: bool,
    write_dicom: WriteDicom,
    read_one: ReadOne,
) -> None:
    film = read_one(
        write_dicom(
            kind=kind,
            PixelIntensityRelationship=relationship,
            PixelIntensityRelationshipSign=sign,
            RescaleSlope=slope,
            RescaleIntercept=None if slope is None else 0,
        )
    )
    expected = unit(picture())
    assert film.pixels == pytest.approx(1 - expected if inverted else expected, abs=1e-6)


def test_rescale_with_a_falling_slope(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    film = read_one(write_dicom(kind="CR", RescaleSlope=-2, RescaleIntercept=8190))
    assert film.pixels == pytest.approx(unit(8190 - 2.0 * picture()), abs=1e-6)
    film = read_one(write_dicom(kind="CR", RescaleSlope=0, RescaleIntercept=0))
    assert film.pixels == pytest.approx(unit(picture()), abs=1e-6)
    assert any("rescaling" in caution for caution in film.cautions)


def test_modality_table(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    table = (np.arange(4096, dtype=np.float64) ** 0.5 * 1000).astype(np.uint16)
    item = Dataset()
    item.add_new("LUTDescriptor", "US", [4096, 0, 16])
    item.ModalityLUTType = "US"
    item.add_new("LUTData", "OW", table.tobytes())
    film = read_one(write_dicom(bits=12, ModalityLUTSequence=[item]))
    assert film.pixels == pytest.approx(unit(table[picture()]), abs=1e-6)


def test_windows_do_not_cut(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    film = read_one(write_dicom(WindowCenter=2000, WindowWidth=10))
    assert film.pixels == pytest.approx(unit(picture()), abs=1e-6)


def test_padding_does_not_set_the_range(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    values = picture(40, 40, 1000) + 1000
    values[:20] = 60000
    film = read_one(write_dicom(values, PixelPaddingValue=60000))
    inside = values[20:].astype(float)
    expected = (inside - inside.min()) / (inside.max() - inside.min())
    assert film.pixels[20:] == pytest.approx(expected, abs=1e-6)
    assert film.cautions == ()


def test_a_few_hot_pixels_do_not_squeeze_the_rest(
    write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    values = picture(200, 200, 1000)
    values[5, 7] = 65535
    film = read_one(write_dicom(values))
    assert film.pixels.std() > 0.9 * unit(picture(200, 200, 1000)).std()
    assert film.pixels[5, 7] == 1
    assert any("clipped" in caution for caution in film.cautions)


def test_flip_and_rotation_of_the_header_are_not_applied_again(
    write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    film = read_one(
        write_dicom(
            FieldOfViewHorizontalFlip="YES",
            FieldOfViewRotation=90,
            PatientOrientation=["R", "F"],
        )
    )
    assert film.pixels == pytest.approx(unit(picture()), abs=1e-6)


@pytest.mark.parametrize("kind", ["XA", "RF", "SC word", "enhanced XA"])
def test_one_film_per_frame(kind: str, write_dicom: WriteDicom, read_all: ReadAll) -> None:
    frames = np.stack([picture(), np.flipud(picture()), picture() // 2])
    films = read_all(write_dicom(frames, kind))
    assert [film.frame for film in films] == [1, 2, 3]
    for film, values in zip(films, frames, strict=True):
        assert film.pixels == pytest.approx(unit(values), abs=1e-6)
    assert len({film.sha256 for film in films}) == 1


def test_enhanced_object_keeps_each_frames_own_header(
    write_dicom: WriteDicom, read_all: ReadAll
) -> None:
    def wrapped(keyword: str, **tags: object) -> Dataset:
        inner, outer = Dataset(), Dataset()
        for name, value in tags.items():
            setattr(inner, name, value)
        setattr(outer, keyword, [inner])
        return outer

    shared = wrapped(
        "FramePixelDataPropertiesSequence",
        ImagerPixelSpacing=[0.2, 0.2],
        PixelIntensityRelationship="LOG",
        PixelIntensityRelationshipSign=1,
    )
    per_frame = [wrapped("FrameAnatomySequence", FrameLaterality=side) for side in "RL"]
    for item, sod in zip(per_frame, (800, 500), strict=True):
        geometry = Dataset()
        geometry.DistanceSourceToDetector, geometry.DistanceSourceToIsocenter = 1000, sod
        item.XRayGeometrySequence = [geometry]
    films = read_all(
        write_dicom(
            np.stack([picture(), picture()]),
            "enhanced XA",
            SharedFunctionalGroupsSequence=[shared],
            PerFrameFunctionalGroupsSequence=per_frame,
        )
    )
    assert [film.header.side for film in films] == ["right", "left"]
    assert [film.scale.mm_per_px_knee for film in films] == pytest.approx([0.16, 0.1])
    assert films[0].pixels == pytest.approx(1 - unit(picture()), abs=1e-6)


@pytest.mark.parametrize(
    ("codec", "tolerance"),
    [
        (RLELossless, 0),
        (JPEGLSLossless, 0),
        (JPEG2000Lossless, 0),
        (JPEGLSNearLossless, 2),
        (JPEG2000, 80),
    ],
)
def test_compressed_films(codec: str, tolerance: int, tmp_path: Path, read_all: ReadAll) -> None:
    values = picture(64, 48)
    options = {JPEGLSNearLossless: {"jls_error": 2}, JPEG2000: {"j2k_cr": [10]}}.get(codec, {})
    for pixels in (values, np.stack([values, values[::-1]])):
        ds = dataset(pixels, "XA", bits=12)
        films = read_all(save(ds, tmp_path / "film.dcm", codec=codec, **options))
        assert len(films) == (1 if pixels.ndim == 2 else 2)
        assert np.abs(films[0].pixels - unit(values)).max() <= (tolerance + 0.01) / 4095 * 2


def test_grey_in_three_channels_is_grey(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    grey = picture(60, 50, 255).astype(np.uint8)
    film = read_one(write_dicom(np.stack([grey] * 3, -1), "SC"))
    assert film.pixels == pytest.approx(unit(grey), abs=1e-6)
    assert film.cautions == ()


def test_colour_gives_luminance_and_a_caution(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    grey = picture(60, 50, 255).astype(np.uint8)
    rgb = np.stack([grey, grey, 255 - grey], -1)
    film = read_one(write_dicom(rgb, "SC"))
    # ITU-R BT.601 written out
    luminance = 0.299 * rgb[..., 0] + 0.587 * rgb[..., 1] + 0.114 * rgb[..., 2]
    assert film.pixels == pytest.approx(unit(luminance), abs=1e-5)
    assert any("not a radiograph?" in caution for caution in film.cautions)
    marked = np.stack([grey] * 3, -1)
    marked[2:8, 2:8] = (255, 0, 0)
    assert any("in colour" in caution for caution in read_one(write_dicom(marked, "SC")).cautions)


@pytest.mark.parametrize(
    ("tags", "view"),
    [
        ({"ViewPosition": "AP"}, "AP"),
        ({"ViewPosition": "PA"}, "AP"),
        ({"ViewPosition": "LL"}, "lateral"),
        ({"ViewPosition": "RLO"}, "other"),
        ({"ViewPosition": "LLD"}, None),
        ({"ViewPosition": "WHATEVER"}, None),
        ({}, None),
    ],
)
def test_view_from_view_position(
    tags: dict[str, str], view: str | None, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    assert read_one(write_dicom(kind="CR", **tags)).header.view == view


@pytest.mark.parametrize(
    ("name", "view"),
    [
        ("AnteroPosterior", "AP"),
        ("PosteroAnterior", "AP"),
        ("LeftLateral", "lateral"),
        ("RightLateral", "lateral"),
        ("MedioLateralProjection", "lateral"),
        ("LateralMedial", "lateral"),
        ("LateralOblique", "other"),
        ("AxialProjection", "other"),
    ],
)
def test_view_from_the_standards_codes(
    name: str, view: str, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    from pydicom.sr.codedict import codes  # the standard's own table is the reference

    item = Dataset()
    code = getattr(codes.cid4010, name)
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code[0], code[1], code[2]
    film = read_one(write_dicom(ViewCodeSequence=[item], ViewPosition="AP"))
    assert film.header.view == view


@pytest.mark.parametrize(
    ("tags", "side"),
    [
        ({"ImageLaterality": "R"}, "right"),
        ({"Laterality": "L"}, "left"),
        ({"ImageLaterality": "B"}, None),
        ({"ImageLaterality": "U", "Laterality": "R"}, None),
        ({"ImageLaterality": "L", "Laterality": "R"}, None),
        ({}, None),
    ],
)
def test_side(
    tags: dict[str, str], side: str | None, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    film = read_one(write_dicom(**tags))
    assert film.header.side == side
    assert bool(film.cautions) == (len(tags) == 2 and "U" not in tags.values())


@pytest.mark.parametrize(
    ("orientation", "view", "flipped"),
    [
        (["L", "F"], "AP", False),  # face to face: the patient's left is on our right
        (["R", "F"], "AP", True),
        (["R", "H"], "AP", False),  # the usual picture turned upside down
        (["L", "H"], "AP", True),
        (["F", "R"], "AP", False),  # turned by a quarter
        (["H", "L"], "AP", False),
        (["F", "L"], "AP", True),
        (["LA", "F"], "AP", False),
        (["A", "F"], "LL", None),
        (["P", "F"], "LL", None),
        (["R", "F"], "LL", None),
        (["L", "L"], "AP", None),
        (["L"], "AP", None),
    ],
)
def test_mirrored_by_patient_orientation(
    orientation: list[str],
    view: str,
    flipped: bool | None,
    write_dicom: WriteDicom,
    read_one: ReadOne,
) -> None:
    film = read_one(write_dicom(PatientOrientation=orientation, ViewPosition=view))
    assert film.header.flipped is flipped


def test_other_hints(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    header = read_one(
        write_dicom(
            BodyPartExamined="KNEE ",
            DistanceSourceToDetector=1150,
            DistanceSourceToPatient="1000",
            PositionerType="CARM",
            PatientPosition="HFDR",
            AcquisitionDate="20250102",
            AcquisitionTime="101112.5",
            ContentDate="20250103",
        )
    ).header
    assert (header.body_part, header.sid_mm, header.sod_mm) == ("KNEE", 1150, 1000)
    assert (header.c_arm, header.lying_on_side) == (True, True)
    assert header.acquired == "20250102 101112.5"
    header = read_one(
        write_dicom(PositionerType="COLUMN", PatientPosition="FFS", DistanceSourceToDetector=0)
    ).header
    assert (header.c_arm, header.lying_on_side, header.sid_mm) == (False, False, None)
    header = read_one(write_dicom(DistanceSourceToDetector=None)).header
    assert header == type(header)()


def test_another_body_part_is_read_and_named(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    assert read_one(write_dicom(BodyPartExamined="CHEST")).header.body_part == "CHEST"


UNCROPPED = {"ImagerPixelSpacing": [0.5, 0.5], "DetectorActiveDimensions": [12, 8]}


@pytest.mark.parametrize(
    ("tags", "known"),
    [
        (UNCROPPED, True),
        ({"ImagerPixelSpacing": [0.5, 0.5]}, False),
        (UNCROPPED | {"DetectorActiveDimensions": [12, 9]}, False),
        (UNCROPPED | {"DetectorActiveDimensions": [8, 12]}, False),
        (UNCROPPED | {"FieldOfViewOrigin": [0, 0]}, True),
        (UNCROPPED | {"FieldOfViewOrigin": [4, 0]}, False),
        (UNCROPPED | {"ColumnAngulation": 10}, False),
        (UNCROPPED | {"CollimatorLeftVerticalEdge": 3, "CollimatorRightVerticalEdge": 14}, True),
        (UNCROPPED | {"CollimatorLeftVerticalEdge": 1, "CollimatorRightVerticalEdge": 10}, False),
    ],
)
def test_central_ray_only_where_nothing_was_cut_off(
    tags: dict[str, object], known: bool, write_dicom: WriteDicom, read_one: ReadOne
) -> None:
    header = read_one(write_dicom(picture(24, 16), **tags)).header
    # 16 columns, first centre at 0: the middle lies between columns 7 and 8
    assert header.central_ray == ((7.5, 11.5) if known else None)


def test_scale_from_a_file(write_dicom: WriteDicom, read_one: ReadOne) -> None:
    scale = read_one(
        write_dicom(
            ImagerPixelSpacing=[0.143, 0.143],
            DistanceSourceToDetector=1150,
            DistanceSourceToPatient=1000,
        )
    ).scale
    assert scale.rule == "imager spacing and distances"
    assert scale.mm_per_px_knee == pytest.approx(0.124348, abs=1e-6)
    scale = read_one(
        write_dicom(PixelSpacing=[0.12, 0.12], PixelSpacingCalibrationType="FIDUCIAL")
    ).scale
    assert (scale.rule, scale.mm_per_px_knee) == ("calibrated by fiducial", pytest.approx(0.12))


def test_spacing_that_is_no_number(tmp_path: Path, read_one: ReadOne) -> None:
    ds = dataset(picture())
    ds.ImagerPixelSpacing = [0.15, 0.15]
    path = save(ds, tmp_path / "film.dcm")
    raw = path.read_bytes()
    for bad in (b"NaN\\NaN  ", b"abc\\0.15 ", b"0.0\\0.0  ", b"-1.0\\-1.0"):
        path.write_bytes(raw.replace(b"0.15\\0.15", bad.ljust(9)[:9]))
        film = read_one(path)
        assert film.scale.rule == "none"
        assert any("cannot be" in caution for caution in film.cautions)


@pytest.mark.parametrize("implicit", [True, False])
def test_bare_dataset_without_preamble(implicit: bool, tmp_path: Path, read_one: ReadOne) -> None:
    ds = dataset(picture(), "CR")
    del ds.file_meta
    path = tmp_path / "bare"
    pydicom.dcmwrite(path, ds, implicit_vr=implicit, little_endian=True)
    assert b"DICM" not in path.read_bytes()
    assert read_one(path).pixels == pytest.approx(unit(picture()), abs=1e-6)


def test_real_radiographs_of_the_optional_data_package(read_one: ReadOne) -> None:
    store = pytest.importorskip("data_store", reason="pydicom-data is not installed")
    folder = Path(store.__file__).parent / "data"
    # A lower leg whose lead marker reads mirrored on the stored picture (looked at by eye).
    plain, packed = (read_one(folder / name) for name in ("RG3_UNCR.dcm", "RG3_J2KR.dcm"))
    assert plain.pixels.shape == (1760, 1760)
    assert np.array_equal(plain.pixels, packed.pixels)  # JPEG 2000 without loss
    assert (plain.header.flipped, plain.header.side) == (True, "right")
    assert plain.header.body_part == "EXTREMITY"
    assert plain.pixels[1000, 850] > plain.pixels[1000, 550] + 0.3  # tibia over bare detector
    chest = read_one(folder / "RG1_UNCR.dcm")
    assert (chest.header.body_part, chest.header.flipped) == ("CHEST", False)
    assert chest.scale.rule == "none"
    assert any("cannot be" in caution for caution in chest.cautions)  # Pixel Spacing 0.000


@pytest.mark.parametrize(
    ("tags", "child"),
    [
        ({"PatientAge": "012Y"}, True),
        ({"PatientAge": "018Y"}, False),
        ({"PatientAge": "180M"}, True),
        ({"PatientAge": "old"}, None),
        ({"PatientBirthDate": "20081126", "StudyDate": "20261125"}, True),
        ({"PatientBirthDate": "20081125", "StudyDate": "20261125"}, False),
        ({"PatientBirthDate": "19000101", "StudyDate": ""}, None),
        ({}, None),
    ],
)
def test_a_child_is_known_by_age_or_dates(
    write_dicom: WriteDicom, read_one: ReadOne, tags: dict[str, str], child: bool | None
) -> None:
    plain = {"PatientAge": "", "PatientBirthDate": "", **tags}
    assert read_one(write_dicom(**plain)).header.child is child

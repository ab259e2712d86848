"""Writes DICOM files as the tests want them, and reads them back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from pipeline.knee.film import Film

SOP = {
    "CR": "1.2.840.10008.5.1.4.1.1.1",
    "DX": "1.2.840.10008.5.1.4.1.1.1.1",
    "DX processing": "1.2.840.10008.5.1.4.1.1.1.1.1",
    "XA": "1.2.840.10008.5.1.4.1.1.12.1",
    "enhanced XA": "1.2.840.10008.5.1.4.1.1.12.1.1",
    "RF": "1.2.840.10008.5.1.4.1.1.12.2",
    "SC": "1.2.840.10008.5.1.4.1.1.7",
    "SC word": "1.2.840.10008.5.1.4.1.1.7.3",
    "CT": "1.2.840.10008.5.1.4.1.1.2",
    "MR": "1.2.840.10008.5.1.4.1.1.4",
}

PATIENT = "Invented^Person"
"""An invented name that must turn up nowhere."""

WriteDicom = Callable[..., Path]
ReadAll = Callable[[Path], list[Film]]


def picture(rows: int = 24, columns: int = 16, top: int = 4095) -> NDArray[np.uint16]:
    """Values that differ in every row and column, from 0 to `top`, so any turn shows."""
    y, x = np.mgrid[:rows, :columns]
    values = 3.0 * y * columns + x**2
    return np.round(values / values.max() * top).astype(np.uint16)


def dataset(
    pixels: NDArray[Any], kind: str = "DX", *, bits: int | None = None, **tags: Any
) -> Dataset:
    """A dataset of SOP class `SOP[kind]`; (rows, columns), (frames, rows, columns) or with 3
    channels last. A tag given as None is left out."""
    colour = pixels.ndim > 2 and pixels.shape[-1] == 3
    frames = pixels.shape[0] if pixels.ndim - colour == 3 else None
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = SOP[kind]
    ds.SOPClassUID = SOP[kind]
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
    ds.PatientName = PATIENT
    ds.Modality = kind.split()[-1] if kind in ("CR", "DX", "XA", "RF", "CT", "MR") else None
    ds.Rows, ds.Columns = pixels.shape[-3:-1] if colour else pixels.shape[-2:]
    if frames is not None:
        ds.NumberOfFrames = frames
    ds.SamplesPerPixel = 3 if colour else 1
    if colour:
        ds.PlanarConfiguration = 0
    ds.PhotometricInterpretation = "RGB" if colour else "MONOCHROME2"
    ds.BitsAllocated = pixels.dtype.itemsize * 8
    ds.BitsStored = bits or ds.BitsAllocated
    ds.HighBit = ds.BitsStored - 1
    ds.PixelRepresentation = int(pixels.dtype.kind == "i")
    raw = np.ascontiguousarray(pixels).tobytes()
    ds.PixelData = raw + b"\0" * (len(raw) % 2)
    for keyword, value in tags.items():
        if value is None:
            if keyword in ds:
                delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    return ds


def save(ds: Dataset, path: Path, *, codec: str | None = None, **options: Any) -> Path:
    """Writes it, compressed with pydicom's encoder for the transfer syntax `codec`."""
    if codec is not None:
        ds.compress(codec, **options)
    pydicom.dcmwrite(path, ds, enforce_file_format=True)
    return path

"""Whatever else SimpleITK reads (NRRD, MetaImage, NIfTI, BMP ...): pictures and stacks of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.files import sha256_of
from pipeline.readers.grey import check_size, one_channel, to_film

OTHERS = ("GDCM", "JPEG", "PNG", "TIFF", "LSM", "HDF5", "MINC", "Mesh", "Transform")
"""Beginnings of the names of image readers whose formats are not for this one: DICOM has rules of
its own, the rest are read elsewhere or hold volumes."""


@dataclass(frozen=True)
class ItkReader:
    """Reads through SimpleITK; meant as the last reader.

    Rows and columns are those of the stored array; direction and spacing are not asked (the
    formats do not say where a spacing was measured), so the scale's rule is `none`. Bright is
    taken as dense.

    Attributes:
        max_megapixels: larger pictures are refused.
        max_slices: a stack of more is taken for a volume and refused.
    """

    max_megapixels: float = 100.0
    max_slices: int = 64

    def accepts(self, path: Path) -> bool:
        """Whether one of SimpleITK's formats, by name and header."""
        return _format_of(path) is not None

    def read(self, path: Path) -> Iterator[Film]:
        """One film, or one per slice. Raises `Problem`."""
        source = str(path)
        name = _format_of(path)
        if name is None:
            raise Problem(source, "is in no format that is read", "export it as DICOM or PNG")
        digest = sha256_of(path)
        stack = self._stack(path, name)
        for number, values in enumerate(stack, start=1):
            cautions: tuple[str, ...] = ()
            if values.ndim == 3:
                values, cautions = one_channel(values[..., :3])
            pixels, more = to_film(values)
            yield Film(
                pixels=pixels,
                source=source,
                sha256=digest,
                frame=None if len(stack) == 1 else number,
                cautions=(*cautions, *more),
            )

    def _stack(self, path: Path, name: str) -> NDArray[Any]:
        """(slices, rows, columns) or (slices, rows, columns, channels) as stored."""
        source = str(path)
        itk = _itk()
        reader = itk.ImageFileReader()
        reader.SetFileName(str(path))
        reader.SetImageIO(name)
        warn = itk.ProcessObject.GetGlobalWarningDisplay()
        itk.ProcessObject.SetGlobalWarningDisplay(False)
        try:
            reader.ReadImageInformation()
            size = [int(length) for length in reader.GetSize()]
            while len(size) > 2 and size[-1] == 1:
                size.pop()
            channels = int(reader.GetNumberOfComponents())
            if len(size) not in (2, 3) or channels not in (1, 3, 4):
                raise Problem(
                    source,
                    f"is no picture (size {' x '.join(map(str, size))}, {channels} channels)",
                    "export the film as DICOM or PNG",
                )
            check_size(source, size[1], size[0], self.max_megapixels)
            slices = size[2] if len(size) == 3 else 1
            if slices > self.max_slices:
                raise Problem(
                    source,
                    f"holds {slices} slices: a volume, not films",
                    "remove it from the list, or raise max_slices of the reader",
                )
            values = itk.GetArrayFromImage(reader.Execute())
        except RuntimeError:
            raise Problem(
                source, "is cut short or damaged", "copy or export the film again"
            ) from None
        finally:
            itk.ProcessObject.SetGlobalWarningDisplay(warn)
        if np.iscomplexobj(values):
            raise Problem(source, "holds complex numbers, not grey values", "export it as DICOM")
        shape = (slices, size[1], size[0]) + (() if channels == 1 else (channels,))
        return values.reshape(shape)


def _itk() -> Any:
    import SimpleITK  # a third of a second: only where nothing else reads the file

    return SimpleITK


def _format_of(path: Path) -> str | None:
    itk = _itk()
    warn = itk.ProcessObject.GetGlobalWarningDisplay()
    itk.ProcessObject.SetGlobalWarningDisplay(False)
    try:
        name = str(itk.ImageFileReader.GetImageIOFromFileName(str(path)))
    except RuntimeError:
        return None
    finally:
        itk.ProcessObject.SetGlobalWarningDisplay(warn)
    return None if not name or name.startswith(OTHERS) else name

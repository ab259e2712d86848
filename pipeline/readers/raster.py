"""PNG, JPEG and TIFF, 8 and 16 bit, several pages."""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.files import first_bytes, picture_kind, sha256_of
from pipeline.readers.grey import check_size, one_channel, to_film

ORIENTATION = 274
PHOTOMETRIC = 262
WHITE_IS_ZERO = 0
SUBFILE = 254
SHORT = 3


@dataclass(frozen=True)
class RasterReader:
    """Reads PNG, JPEG and TIFF pictures.

    Coordinates refer to the stored pixel matrix: an orientation tag (EXIF, TIFF) is not applied,
    a caution says that it is there. Resolution tags are set by whatever saved the file last, so
    they give no scale (rule `none`). Bright is taken as dense, except where a TIFF says that
    zero is white. Reduced pages of a TIFF (previews) are left out.

    Attributes:
        max_megapixels: larger pictures are refused.
    """

    max_megapixels: float = 100.0

    def accepts(self, path: Path) -> bool:
        """By the first bytes, whatever the name."""
        return picture_kind(first_bytes(path)) is not None

    def read(self, path: Path) -> Iterator[Film]:
        """One film, or one per page. Raises `Problem`."""
        source = str(path)
        digest = sha256_of(path)
        kind = picture_kind(first_bytes(path))
        image = _open(path, source, kind)
        pages, turned = _pages(image, source, kind)
        if any(turned):
            # Pillow turns a TIFF while loading it, version 13 into rubble at times.
            image.close()
            image = _open(io.BytesIO(without_orientation(path.read_bytes())), source, kind)
        with image:
            for page, orientation in zip(pages, turned, strict=True):
                name = source if len(pages) == 1 else f"{source} page {page + 1}"
                try:
                    image.seek(page)
                    check_size(name, image.height, image.width, self.max_megapixels)
                    values, cautions = _stored(image, orientation)
                except Problem:
                    raise
                except Exception:  # a decoder may raise anything on damaged data
                    raise _damaged(name, kind) from None
                pixels, more = to_film(values)
                yield Film(
                    pixels=pixels,
                    source=source,
                    sha256=digest,
                    frame=None if len(pages) == 1 else page + 1,
                    cautions=(*cautions, *more),
                )


def without_orientation(raw: bytes) -> bytes:
    """The bytes of a TIFF file with every page's orientation tag set to 1, as stored.

    Follows the chain of directories (TIFF 6.0 section 2; BigTIFF, from memory: version 43,
    8-byte counts and offsets, 20-byte entries). Raises `struct.error` where it is broken.
    """
    data = bytearray(raw)
    order = "<" if data[:2] == b"II" else ">"
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    number, count_code, size = ("Q", "Q", 20) if big else ("I", "H", 12)
    at = struct.unpack_from(order + number, data, 8 if big else 4)[0]
    seen = set()
    while at and at not in seen:
        seen.add(at)
        count = struct.unpack_from(order + count_code, data, at)[0]
        at += struct.calcsize(order + count_code)
        for _ in range(min(count, 4096)):
            if struct.unpack_from(order + "H", data, at)[0] == ORIENTATION:
                struct.pack_into(order + f"H{number}H", data, at + 2, SHORT, 1, 1)
            at += size
        at = struct.unpack_from(order + number, data, at)[0]
    return bytes(data)


def _open(file: Path | io.BytesIO, source: str, kind: str | None) -> Image.Image:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the size is checked before decoding
            return Image.open(file, formats=[kind] if kind else None)
    except Image.DecompressionBombError:
        raise Problem(source, "is too large", "crop it or save it smaller") from None
    except UnidentifiedImageError:
        raise Problem(
            source,
            f"is a {kind} file that is damaged or of a kind that is not read",
            "save it as an 8 or 16 bit grey PNG",
        ) from None
    except Exception as error:  # Pillow raises anything on damaged bytes
        if isinstance(error, OSError) and error.errno is not None:
            raise
        raise _damaged(source, kind) from None


def _pages(image: Image.Image, source: str, kind: str | None) -> tuple[list[int], list[int | None]]:
    """Pages that are pictures of their own, and the TIFF orientation tag of each unless 1.

    A JPEG's second picture is a preview of the first.
    """
    pages: list[int] = []
    turned: list[int | None] = []
    if kind != "TIFF":
        return [0], [None]
    try:
        for page in range(getattr(image, "n_frames", 1)):
            image.seek(page)
            if page == 0 or not int(_tag(image, SUBFILE) or 0) & 1:
                orientation = _tag(image, ORIENTATION)
                pages.append(page)
                turned.append(None if orientation == 1 else orientation)
    except Exception:  # a damaged page table may raise anything
        raise _damaged(source, kind) from None
    return pages, turned


def _stored(image: Image.Image, orientation: int | None) -> tuple[NDArray[Any], tuple[str, ...]]:
    """Values of the open page as they are stored, bright dense; and cautions."""
    white_is_zero = _tag(image, PHOTOMETRIC) == WHITE_IS_ZERO
    image.load()
    if not hasattr(image, "tag_v2"):
        orientation = _exif_orientation(image)
    cautions: tuple[str, ...] = ()
    if orientation in range(2, 9):
        cautions = (
            f"the file asks viewers to turn or mirror the picture (orientation {orientation}); "
            "it was read as stored",
        )
    picture: Image.Image = image
    if picture.mode in ("1", "P", "PA", "CMYK", "YCbCr", "LAB", "HSV", "RGBX", "RGBA", "La"):
        has_colour = picture.mode not in ("1", "La")
        picture = picture.convert("RGB" if has_colour else "L")
    if picture.mode == "LA":
        picture = picture.getchannel("L")
    values = np.asarray(picture)
    if values.ndim == 3:
        values, more = one_channel(values[..., :3])
        cautions += more
    elif white_is_zero and picture.mode.startswith(("I", "F")):
        values = values.max() - values  # Pillow does this itself for 8 bits and fewer
    return values, cautions


def _exif_orientation(image: Image.Image) -> int | None:
    try:
        return image.getexif().get(ORIENTATION)
    except Exception:  # damaged EXIF data do not make the picture unreadable
        return None


def _tag(image: Image.Image, number: int) -> int | None:
    tags = getattr(image, "tag_v2", None)
    return None if tags is None else tags.get(number)


def _damaged(source: str, kind: str | None) -> Problem:
    return Problem(
        source,
        f"is a {kind} file that is cut short or damaged",
        "copy or export the film again",
    )

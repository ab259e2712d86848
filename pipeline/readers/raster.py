"""PNG, JPEG and TIFF, 8 and 16 bit, several pages."""

from __future__ import annotations

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

_TURN_BACK = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


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
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # the size is checked here, before decoding
                image = Image.open(path, formats=[kind] if kind else None)
        except Image.DecompressionBombError:
            raise Problem(source, "is too large", "crop it or save it smaller") from None
        except UnidentifiedImageError:
            raise Problem(
                source,
                f"is a {kind} file that is damaged or of a kind that is not read",
                "save it as an 8 or 16 bit grey PNG",
            ) from None
        except OSError:
            raise
        except Exception:  # Pillow raises anything on damaged bytes
            raise _damaged(source, kind) from None
        with image:
            pages = _pages(image, source, kind)
            for page in pages:
                name = source if len(pages) == 1 else f"{source} page {page + 1}"
                try:
                    image.seek(page)
                    check_size(name, image.height, image.width, self.max_megapixels)
                    values, cautions = _stored(image)
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


def _pages(image: Image.Image, source: str, kind: str | None) -> list[int]:
    """Pages that are pictures of their own. A JPEG's second picture is a preview of the first."""
    if kind != "TIFF":
        return [0]
    try:
        count = getattr(image, "n_frames", 1)
        pages = []
        for page in range(count):
            image.seek(page)
            if not int(_tag(image, SUBFILE) or 0) & 1:
                pages.append(page)
    except Exception:  # a damaged page table may raise anything
        raise _damaged(source, kind) from None
    return pages or [0]


def _stored(image: Image.Image) -> tuple[NDArray[Any], tuple[str, ...]]:
    """Values of the open page as they are stored, bright dense; and cautions."""
    turned = _tag(image, ORIENTATION) if hasattr(image, "tag_v2") else None
    white_is_zero = _tag(image, PHOTOMETRIC) == WHITE_IS_ZERO
    image.load()
    picture: Image.Image = image
    if turned in _TURN_BACK and _tag(image, ORIENTATION) is None:
        # Pillow turns a TIFF while loading it, and then forgets the tag.
        picture = image.transpose(_TURN_BACK[turned])
    if not hasattr(image, "tag_v2"):
        turned = _exif_orientation(image)
    cautions: tuple[str, ...] = ()
    if turned in _TURN_BACK:
        cautions = (
            f"the file asks viewers to turn or mirror the picture (orientation {turned}); "
            "it was read as stored",
        )
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

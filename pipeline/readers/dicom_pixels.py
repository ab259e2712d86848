"""Pixel data of a DICOM dataset: decoding, unused bits, modality values, which end is bone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.pixels import apply_color_lut, apply_modality_lut, iter_pixels

from pipeline.knee.errors import Problem
from pipeline.readers.dicom_tags import Tags

FLUOROSCOPY = frozenset(
    f"1.2.840.10008.5.1.4.1.1.{end}" for end in ("12.1", "12.1.1", "12.2", "12.2.1")
)
FOR_PROCESSING = "1.2.840.10008.5.1.4.1.1.1.1.1"


def decode(dataset: Dataset, source: str, frames: int) -> Iterator[NDArray[Any]]:
    """Frames as stored: (rows, columns), or (rows, columns, 3) R, G, B.

    Bits beyond Bits Stored are removed (old files keep overlays there, PS3.5 section 8.1.1).
    Raises `Problem` where a frame is missing or cannot be decoded.
    """
    # pydicom would drop the unused bits too, but takes High Bit to be Bits Stored - 1.
    stream = iter_pixels(dataset, raw=False, correct_unused_bits=False, view_only=True)
    for frame in range(1, frames + 1):
        where = source if frames == 1 else f"{source} frame {frame}"
        try:
            values = next(stream)
        except StopIteration:
            raise Problem(
                where, "is missing: the file holds fewer frames than it says", "export it again"
            ) from None
        except MemoryError:
            raise
        except Exception as error:  # decoders raise anything on damaged data
            raise _undecodable(dataset, where, error) from error
        photometric = Tags(dataset).text("PhotometricInterpretation")
        if photometric == "PALETTE COLOR":
            try:
                values = apply_color_lut(values, dataset)
            except Exception:  # a damaged palette
                raise Problem(where, "has a damaged colour palette", "export it again") from None
        elif values.ndim == 2:
            values = used_bits(values, dataset)
        if values.ndim == 3:
            values = values[..., :3]
        yield values


def _undecodable(dataset: Dataset, where: str, error: Exception) -> Problem:
    syntax = getattr(getattr(dataset, "file_meta", None), "TransferSyntaxUID", None)
    if isinstance(error, NotImplementedError) or "plugins are missing" in str(error):
        name = getattr(syntax, "name", "unknown")
        return Problem(
            where, f"is compressed in a way that is not read ({name})", "export it uncompressed"
        )
    return Problem(
        where, "has pixel data that are cut short or damaged", "copy or export the film again"
    )


def used_bits(values: NDArray[Any], dataset: Dataset) -> NDArray[Any]:
    """Integer pixels reduced to Bits Stored below High Bit, sign extended where signed.

    Any shape, which is kept.
    """
    if values.dtype.kind not in "iu":
        return values
    allocated = values.dtype.itemsize * 8
    tags = Tags(dataset)
    stored_bits = tags.numbers("BitsStored") or (float(allocated),)
    high_bit = tags.numbers("HighBit") or (stored_bits[0] - 1,)
    if not np.isfinite((*stored_bits, *high_bit)).all():
        return values
    stored, high = int(stored_bits[0]), int(high_bit[0])
    if not 0 < stored <= high + 1 <= allocated or stored == allocated:
        return values
    lowest = -(1 << stored - 1) if values.dtype.kind == "i" else 0
    if high + 1 == stored and lowest <= values.min() and values.max() < lowest + (1 << stored):
        return values  # the other bits say nothing, as nearly always: looking is soon done
    # Up against the top, then down: drops what lies above, and copies the sign.
    return (values << (allocated - high - 1)) >> (allocated - stored)


def modality_values(
    values: NDArray[Any], dataset: Dataset
) -> tuple[NDArray[Any], bool, tuple[str, ...]]:
    """Values in the order of Modality LUT or Rescale, of the same shape; whether that order runs
    against the stored one; cautions.

    Rescaling is linear and so is what follows (`grey.to_film`): only the sign of its slope
    matters. VOI LUTs and windows are left out: they are for the eye, and cut.
    """
    if dataset.get("ModalityLUTSequence"):
        try:
            out = apply_modality_lut(values, dataset)
        except Exception:  # a malformed table
            return values, False, ("the header's modality table is no use and was left out",)
        first, last = (out.flat[int(at)] for at in (values.argmin(), values.argmax()))
        return out, bool(last < first), ()
    slope = (Tags(dataset).numbers("RescaleSlope") or (1.0,))[0]
    if not np.isfinite(slope) or slope == 0:
        return values, False, ("the header's rescaling is no use and was left out",)
    if slope > 0:
        return values, False, ()
    # all bits turned round: the order of the values too, in no more room than they have
    return -values if values.dtype.kind == "f" else ~values, True, ()


def padding_of(values: NDArray[Any], dataset: Dataset) -> NDArray[np.bool_] | None:
    """Where stored `values` lie outside the picture by Pixel Padding Value and Range Limit.

    Of the shape of `values`; None where the header names no padding.
    """
    first = Tags(dataset).numbers("PixelPaddingValue")
    if first is None or not np.isfinite(first[0]):
        return None
    last = Tags(dataset).numbers("PixelPaddingRangeLimit") or first
    low, high = sorted((first[0], last[0] if np.isfinite(last[0]) else first[0]))
    return (values >= low) & (values <= high)


def bone_is_dark(tags: Tags, sop_class: str, falling: bool) -> tuple[bool, tuple[str, ...]]:
    """Whether dense tissue has the small values, and cautions.

    Pictures made for the eye follow the header's display: MONOCHROME1, or Presentation LUT Shape
    INVERSE, or both, mean one inversion (PS3.3 C.8.11.3: the two go together). Fluoroscopy
    and unprocessed pictures, which are often shown with dark bone, follow the physics where
    the header tells it: Pixel Intensity Relationship Sign +1 means that small stored values got
    little radiation (PS3.3 C.8.11.3.1.2), and XA's LIN and LOG mean values that rise with
    the beam (PS3.3 C.8.7.1.1.2; both from memory).

    Args:
        falling: the modality transformation turned the order of the values round.
    """
    shown = (
        tags.text("PhotometricInterpretation") == "MONOCHROME1"
        or tags.text("PresentationLUTShape") == "INVERSE"
    )
    sign = (tags.numbers("PixelIntensityRelationshipSign") or (0.0,))[0]
    fluoroscopy = sop_class in FLUOROSCOPY
    if sign not in (1.0, -1.0):
        relation = tags.text("PixelIntensityRelationship")
        if not (fluoroscopy and relation in ("LIN", "LOG")):
            return shown, ()
        sign = 1.0
    physics = (sign == 1.0) != falling
    if physics == shown:
        return shown, ()
    if fluoroscopy or sop_class == FOR_PROCESSING:
        return physics, ("the header shows bone dark; it was read with bone bright",)
    return shown, ("the header contradicts itself on whether bone is bright; its display was used",)

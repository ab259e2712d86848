"""Values of a DICOM header, for one frame, whatever state the header is in."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pydicom
from pydicom.dataset import Dataset
from pydicom.valuerep import PersonName

from pipeline.readers.files import first_bytes, has_preamble


def read_header(path: Path) -> Dataset | None:
    """A DICOM file without its pixels; None for anything else. Never raises."""
    try:
        if not has_preamble(first_bytes(path)):
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom quotes header values
            return pydicom.dcmread(path, stop_before_pixels=True)
    except Exception:  # a film that cannot be opened says so elsewhere
        return None


class Tags:
    """Looks tags up by keyword; a missing, empty or unreadable value is None.

    A value is looked for in the frame's functional groups, then in the shared ones, then in
    the dataset itself (PS3.3 C.7.6.16: enhanced objects keep it in one of the former).
    """

    def __init__(self, dataset: Dataset, frame: int = 0) -> None:
        self._places = [*_groups(dataset, frame), dataset]

    def raw(self, keyword: str) -> Any:
        """The value as pydicom gives it. Raises nothing; see `numbers` for malformed numbers."""
        for place in self._places:
            try:
                value = place.get(keyword)
            except Exception:  # pydicom converts on access and may raise anything on bad bytes
                continue
            if value is not None and value != "" and not (_sized(value) and len(value) == 0):
                return value
        return None

    def text(self, keyword: str) -> str | None:
        """The value, first of several, upper case without padding."""
        values = self.texts(keyword)
        return values[0] or None if values else None

    def texts(self, keyword: str) -> tuple[str, ...]:
        """All values, upper case without padding."""
        value = self.raw(keyword)
        if value is None:
            return ()
        one = isinstance(value, str | bytes | PersonName) or not _sized(value)
        several = [value] if one else value
        return tuple(str(each).strip(" \0").upper() for each in several)

    def numbers(self, keyword: str, count: int = 1) -> tuple[float, ...] | None:
        """`count` numbers; NaN for each that is no number or is not there; None: no value."""
        present = False
        for place in self._places:
            try:
                present = present or bool(keyword in place and not place[keyword].is_empty)
            except Exception:  # unreadable: a value is there but makes no sense
                present = True
        if not present:
            return None
        value = self.raw(keyword)
        if value is None:
            return (math.nan,) * count
        several = [value] if isinstance(value, str | bytes) or not _sized(value) else list(value)
        several = (several + [math.nan] * count)[:count]
        return tuple(_number(each) for each in several)

    def number(self, keyword: str) -> float | None:
        """A finite number greater than zero, or None."""
        value = self.numbers(keyword)
        if value is None or not math.isfinite(value[0]) or value[0] <= 0:
            return None
        return value[0]

    def codes(self, keyword: str) -> tuple[str, ...]:
        """Code values of the items of a code sequence."""
        return tuple(code for item in self.items(keyword) if (code := Tags(item).text("CodeValue")))

    def items(self, keyword: str) -> tuple[Dataset, ...]:
        """The items of a sequence."""
        value = self.raw(keyword)
        try:
            return tuple(item for item in value or () if isinstance(item, Dataset))
        except TypeError:
            return ()


def _groups(dataset: Dataset, frame: int) -> Iterator[Dataset]:
    for keyword, index in (
        ("PerFrameFunctionalGroupsSequence", frame),
        ("SharedFunctionalGroupsSequence", 0),
    ):
        try:
            groups = dataset.get(keyword)
            if not groups or index >= len(groups):
                continue
            for element in groups[index]:
                if element.VR == "SQ" and element.value:
                    yield element.value[0]
        except Exception:  # a damaged group is as good as a missing one
            continue


def _sized(value: Any) -> bool:
    return hasattr(value, "__len__")


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan

"""What a report says, apart from how it is written down.

A `Paper` is a title and blocks in reading order. Its writers (`html.py`, `pdf.py`) add the
standing caution, so that no report can be without it. All text is plain text in the paper's own
language; nothing in it is read as markup.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

PNG, JPEG = b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"


@dataclass(frozen=True)
class Heading:
    """`level` 2 to 4; the paper's title is level 1."""

    text: str
    level: int = 2

    def __post_init__(self) -> None:
        if self.level not in (2, 3, 4):
            raise ValueError(f"a heading's level is 2, 3 or 4, not {self.level}")


@dataclass(frozen=True)
class Text:
    """A paragraph. `lead` says the one thing that matters, `quiet` what may be passed over."""

    text: str
    tone: Literal["plain", "lead", "quiet"] = "plain"


@dataclass(frozen=True)
class Items:
    """A list of short sentences."""

    texts: tuple[str, ...]


@dataclass(frozen=True)
class Link:
    """`to`: a file beside this one, or `#heading-N`. On paper the text stands alone or links."""

    text: str
    to: str


Cell = str | Link


@dataclass(frozen=True)
class Table:
    """`rows` are as long as `columns`; the first cell of a row names it.

    Attributes:
        numbers: columns (from 0) that hold numbers and are set to the right.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str
    numbers: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(
                    f"table {self.caption!r}: expected {len(self.columns)} cells, got {len(row)}"
                )


@dataclass(frozen=True)
class Picture:
    """A picture, and in words what it shows.

    Attributes:
        data: PNG, JPEG or SVG.
        alt: for those who do not see it; says what the picture tells.
        caption: stands below it; "" for none.
        png: the same picture as PNG (or JPEG) for the PDF; needed where `data` is SVG.
        width: share of the column that it fills, above 0 up to 1.
    """

    data: bytes
    alt: str
    caption: str = ""
    png: bytes | None = None
    width: float = 1.0

    def __post_init__(self) -> None:
        if not self.alt:
            raise ValueError("a picture needs words that say what it shows")
        if not self.raster.startswith((PNG, JPEG)):
            raise ValueError("a picture is PNG or JPEG, or SVG with the same as PNG beside it")
        if not 0 < self.width <= 1:
            raise ValueError(f"a picture's width is above 0 up to 1, not {self.width}")

    @property
    def raster(self) -> bytes:
        """The picture as PNG or JPEG."""
        return self.data if self.png is None else self.png

    @property
    def kind(self) -> Literal["png", "jpeg", "svg+xml"]:
        """Of `data`, as its media type names it."""
        if self.data.startswith(PNG):
            return "png"
        return "jpeg" if self.data.startswith(JPEG) else "svg+xml"


@dataclass(frozen=True)
class Caution:
    """Something the reader must not pass over; marked by more than colour."""

    text: str


@dataclass(frozen=True)
class Columns:
    """Blocks side by side; one under the other where there is little room.

    Attributes:
        shares: relative widths, one for each column; () for equal ones.
    """

    columns: tuple[tuple[Block, ...], ...]
    shares: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.shares and len(self.shares) != len(self.columns):
            raise ValueError(f"{len(self.columns)} columns have {len(self.shares)} shares")


Block = Heading | Text | Items | Table | Picture | Columns | Caution | Link


@dataclass(frozen=True)
class Paper:
    """A report.

    Attributes:
        title, subtitle: what it is about, and of what or when.
        blocks: in reading order.
        language: of its text, as in BCP 47 ("en", "de"); the caution is written in it.
        made_by: program, weights and settings, as the footer names them; "" for none.
        invented: whether the data are made up for demonstration; then every page says so.
    """

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    language: str = "en"
    made_by: str = ""
    invented: bool = False


def walk(blocks: tuple[Block, ...]) -> Iterator[Block]:
    """All blocks in reading order, those inside columns too."""
    for block in blocks:
        yield block
        if isinstance(block, Columns):
            for column in block.columns:
                yield from walk(column)


def levels(blocks: tuple[Block, ...]) -> dict[int, int]:
    """`id` of each heading to the level it is written with: none is skipped on the way down.

    A reader who goes from heading to heading would otherwise look for what is missing.
    """
    found: dict[int, int] = {}
    last = 1
    for block in walk(blocks):
        if isinstance(block, Heading):
            last = min(block.level, last + 1)
            found[id(block)] = last
    return found

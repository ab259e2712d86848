"""What reportlab lacks: tags that tell a screen reader what each piece of a page is.

A tag is a node of the document's tree; what is drawn for it stands between `BDC` and `EMC` with a
number of its own on its page (ISO 32000-1, 14.6 to 14.8, from memory). Lines, grounds and page
feet are artifacts: drawn, not read.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from reportlab.pdfbase.pdfdoc import (
    PDFArray,
    PDFDictionary,
    PDFName,
    PDFObjectReference,
    PDFString,
)
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.textobject import PDFTextObject
from reportlab.platypus import Flowable, Image, Paragraph, Table


@dataclass(eq=False)
class Tag:
    """`pieces`: (page, number on it) of what was drawn for it."""

    kind: str
    alt: str = ""
    children: list[Tag] = field(default_factory=list)
    pieces: list[tuple[int, int]] = field(default_factory=list)


class Tags:
    """The tree, and how many pieces each page has."""

    def __init__(self) -> None:
        self.root = Tag("Document")
        self.owners: dict[int, list[Tag]] = {}
        self.headings = 0

    def add(self, parent: Tag, kind: str, alt: str = "") -> Tag:
        tag = Tag(kind, alt)
        parent.children.append(tag)
        return tag

    def number(self) -> int:
        """Of the next heading."""
        self.headings += 1
        return self.headings

    def mark(self, parent: Tag) -> int:
        return len(parent.children)

    def back(self, parent: Tag, mark: int) -> None:
        """Forgets what was added since `mark`."""
        del parent.children[mark:]

    def piece(self, tag: Tag, page: int) -> int:
        """The number of a new piece of `tag` on that page."""
        owners = self.owners.setdefault(page, [])
        owners.append(tag)
        tag.pieces.append((page, len(owners) - 1))
        return len(owners) - 1

    def write(self, document: Any) -> None:
        """Puts the tree into the PDF document, after the last page is drawn."""
        tree = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        top = document.Reference(tree, "tags")
        known: dict[int, Any] = {}
        tree["K"] = PDFArray([self._node(self.root, top, document, known)])
        numbers: list[Any] = []
        for page, owners in sorted(self.owners.items()):
            array = PDFArray([known[id(tag)] for tag in owners])
            numbers += [page - 1, document.Reference(array, f"tags-{page}")]
            drawn = document.idToObject[f"Page{page}"]
            drawn.StructParents = page - 1
            drawn.__NoDefault__ = [*drawn.__NoDefault__, "StructParents"]
        tree["ParentTree"] = PDFDictionary({"Nums": PDFArray(numbers)})
        document.Catalog.StructTreeRoot = top
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})

    def _node(self, tag: Tag, parent: Any, document: Any, known: dict[int, Any]) -> Any:
        node = PDFDictionary({"Type": PDFName("StructElem"), "S": PDFName(tag.kind), "P": parent})
        here = document.Reference(node, f"tag-{len(known)}")
        known[id(tag)] = here
        if tag.alt:
            node["Alt"] = PDFString(tag.alt)
        pieces = [
            PDFDictionary(
                {
                    "Type": PDFName("MCR"),
                    "Pg": PDFObjectReference(f"Page{page}"),
                    "MCID": number,
                }
            )
            for page, number in tag.pieces
        ]
        below = [self._node(child, here, document, known) for child in tag.children]
        node["K"] = PDFArray([*pieces, *below])
        return here


def canvas_of(tags: Tags, foot: Callable[[Any, int, int], None]) -> type[Canvas]:
    """A canvas that draws each page's foot when the number of pages is known, and the tags."""

    class TaggedCanvas(Canvas):
        def __init__(self, *args: Any, **values: Any) -> None:
            super().__init__(*args, **values)
            self.setViewerPreference("DisplayDocTitle", "true")
            self.showOutline()
            self.tags = tags
            self.kept: list[dict[str, Any]] = []

        def beginText(self, x: float = 0, y: float = 0, direction: Any = None) -> Any:
            return _Lines(self, x, y, direction)

        def showPage(self) -> None:
            self.kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for page, state in enumerate(self.kept, 1):
                self.__dict__.update(state)
                with _artifact(self):
                    foot(self, page, len(self.kept))
                super().showPage()
            tags.write(self._doc)
            super().save()

    return TaggedCanvas


class _Lines(PDFTextObject):
    """Ends each line of a paragraph with a space: else its last word is read into the next one."""

    def _textOut(self, text: str, TStar: int = 0) -> None:
        super()._textOut(f"{text} " if TStar else text, TStar)


@contextmanager
def _artifact(canvas: Any) -> Iterator[None]:
    canvas._code.append("/Artifact BMC")
    yield
    canvas._code.append("EMC")


@contextmanager
def _piece(canvas: Any, place: Tag) -> Iterator[None]:
    number = canvas.tags.piece(place, canvas.getPageNumber())
    canvas._code.append(f"/{place.kind} <</MCID {number}>> BDC")
    yield
    canvas._code.append("EMC")


class Words(Paragraph):
    """A paragraph with its tag; `bookmark`: (text, level) or None."""

    place: Tag
    bookmark: tuple[str, int] | None = None
    drawn = False

    def draw(self) -> None:
        canvas = self.canv
        if self.bookmark is not None:
            text, level = self.bookmark
            # Named by number: two headings may have the same text.
            key = f"heading-{canvas.tags.number()}"
            canvas.bookmarkHorizontal(key, 0, self.height)
            canvas.addOutlineEntry(text, key, level)
        # A table's head that is repeated on the next page is not read again.
        with _artifact(canvas) if self.drawn else _piece(canvas, self.place):
            super().draw()
        self.drawn = True

    def split(self, width: float, height: float) -> list[Any]:
        parts = super().split(width, height)
        for number, part in enumerate(parts):
            part.place = self.place
            part.bookmark = self.bookmark if number == 0 else None
        return parts


class Figure(Image):
    """A picture with its tag, as wide as given and no higher than `limit`, in points."""

    def __init__(self, png: bytes, width: float, limit: float, place: Tag) -> None:
        super().__init__(io.BytesIO(png))
        scale = min(width / self.imageWidth, limit / self.imageHeight)
        self.drawWidth, self.drawHeight = self.imageWidth * scale, self.imageHeight * scale
        self.place, self.hAlign, self.keepWithNext = place, "LEFT", True
        self.spaceBefore = 6

    def draw(self) -> None:
        with _piece(self.canv, self.place):
            super().draw()


class Grid(Table):
    """A table whose lines and grounds are artifacts; its cells bring their own tags."""

    def _drawBkgrnd(self) -> None:
        with _artifact(self.canv):
            super()._drawBkgrnd()

    def _drawLines(self) -> None:
        with _artifact(self.canv):
            super()._drawLines()


def height_of(flowables: Sequence[Flowable], width: float) -> float:
    """Points that they need, one under the other, in a column of that width."""
    return sum(
        each.wrap(width, 1e6)[1] + each.getSpaceBefore() + each.getSpaceAfter()
        for each in flowables
    )

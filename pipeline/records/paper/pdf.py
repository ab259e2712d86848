"""A paper as PDF: A4, tagged, with bookmarks, page numbers and the caution on every page.

Laid out by reportlab's platypus; set in DejaVu Sans, which matplotlib brings along and which has
the letters of every language of the catalogue. The tags are those of ISO 32000-1, 14.7 and 14.8
(numbers from memory); a screen reader walks them in the order of the paper's blocks.
"""

from __future__ import annotations

import io
from html import escape
from pathlib import Path
from typing import Any

from pipeline.language import Speech, speech
from pipeline.records.files import write_atomic
from pipeline.records.paper.model import (
    Block,
    Caution,
    Cell,
    Columns,
    Heading,
    Items,
    Link,
    Paper,
    Picture,
    Table,
    Text,
    levels,
)
from pipeline.records.paper.standing import cautions

MM = 72 / 25.4
MARGIN, FOOT = 16 * MM, 22 * MM
WIDTH, HEIGHT = 210 * MM, 297 * MM
INK, SOFT, LINE, WASH = "#1c2325", "#4d575a", "#9aa19c", "#f1f1ec"


def write_pdf(paper: Paper, path: Path) -> None:
    """Writes the document, whole or not at all; the same paper gives the same bytes.

    Raises:
        Problem: the paper's language has no catalogue, or the file cannot be written.
    """
    write_atomic(path, pdf(paper))


def pdf(paper: Paper) -> bytes:
    """The document."""
    from reportlab.platypus import SimpleDocTemplate

    from pipeline.records.paper.tagged import Tags, canvas_of

    t = speech(paper.language)
    tags = Tags()
    head, body = cautions(t, paper.invented)
    story = _Layout(tags, t).story(paper, head, body)
    file = io.BytesIO()
    document = SimpleDocTemplate(
        file,
        pagesize=(WIDTH, HEIGHT),
        # The frame inside keeps 6 points of its own.
        leftMargin=MARGIN - 6,
        rightMargin=MARGIN - 6,
        topMargin=MARGIN - 6,
        bottomMargin=FOOT - 6,
        title=f"{paper.title} \u2013 {paper.subtitle}" if paper.subtitle else paper.title,
        author=paper.made_by,
        subject=head,
        creator="squareon",
        lang=paper.language,
        invariant=1,
    )
    document.build(story, canvasmaker=canvas_of(tags, _foot(t, head)))
    return file.getvalue()


def _foot(t: Speech, head: str) -> Any:
    """Draws the foot of one page: `(canvas, page, pages)`."""

    def draw(canvas: Any, page: int, pages: int) -> None:
        regular, bold = fonts()
        canvas.setStrokeColor(INK)
        canvas.line(MARGIN, FOOT - 5 * MM, WIDTH - MARGIN, FOOT - 5 * MM)
        canvas.setFillColor(INK)
        canvas.setFont(bold, 8)
        canvas.drawString(MARGIN, FOOT - 9.5 * MM, head)
        canvas.setFont(regular, 8)
        where = t("page {page} of {pages}", page=page, pages=pages)
        canvas.drawRightString(WIDTH - MARGIN, FOOT - 13.5 * MM, where)

    return draw


def fonts() -> tuple[str, str]:
    """Names of the regular and the bold face, registered with reportlab."""
    import matplotlib
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    names = ("DejaVuSans", "DejaVuSans-Bold")
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for bold, name in enumerate(names):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
            addMapping(names[0], bold, 0, name)
            addMapping(names[0], bold, 1, name)
    return names


class _Layout:
    """Turns blocks into flowables, each with its place in the tags."""

    def __init__(self, tags: Any, t: Speech) -> None:
        self.tags, self.t = tags, t
        self.regular, self.bold = fonts()
        self.depth: dict[int, int] = {}

    def story(self, paper: Paper, head: str, body: str) -> list[Any]:
        root, self.depth = self.tags.root, levels(paper.blocks)
        found = [
            *self.caution(f"{head}. {body}", root),
            self.words(paper.title, root, "H1", size=19, bold=True, outline=0, before=10),
        ]
        if paper.subtitle:
            found.append(self.words(paper.subtitle, root, "P", colour=SOFT))
        found += self.blocks(paper.blocks, root, WIDTH - 2 * MARGIN)
        if paper.made_by:
            found.append(self.words(paper.made_by, root, "P", size=8, colour=SOFT, before=14))
        return found

    def blocks(self, blocks: tuple[Block, ...], parent: Any, width: float) -> list[Any]:
        found: list[Any] = []
        for block in blocks:
            found += self.block(block, parent, width)
        return found

    def block(self, block: Block, parent: Any, width: float) -> list[Any]:
        if isinstance(block, Heading):
            return [self.heading(block, parent)]
        if isinstance(block, Text):
            size = 12.5 if block.tone == "lead" else 9.5
            colour = SOFT if block.tone == "quiet" else INK
            return [self.words(block.text, parent, "P", size=size, colour=colour)]
        if isinstance(block, Link):
            return [self.words(block, parent, "P")]
        if isinstance(block, Items):
            listed = self.tags.add(parent, "L")
            return [
                self.words(f"\u2022\u2002{text}", self.tags.add(listed, "LI"), "LBody", hang=10)
                for text in block.texts
            ]
        if isinstance(block, Caution):
            return self.caution(block.text, parent)
        if isinstance(block, Picture):
            return self.picture(block, parent, width)
        if isinstance(block, Table):
            return self.table(block, parent, width)
        return self.columns(block, parent, width)

    def heading(self, block: Heading, parent: Any) -> Any:
        size = {2: 13.5, 3: 11, 4: 9.5}[block.level]
        level = self.depth[id(block)]
        return self.words(
            block.text,
            parent,
            f"H{level}",
            size=size,
            bold=True,
            outline=level - 1,
            before=size * 0.7,
        )

    def words(
        self,
        text: Cell,
        parent: Any,
        tag: str,
        *,
        size: float = 9.5,
        bold: bool = False,
        colour: str = INK,
        before: float = 2,
        hang: float = 0,
        right: bool = False,
        outline: int | None = None,
    ) -> Any:
        """A paragraph; `outline`: level among the bookmarks."""
        from reportlab.lib.styles import ParagraphStyle

        from pipeline.records.paper.tagged import Words

        style = ParagraphStyle(
            "words",
            fontName=self.bold if bold else self.regular,
            fontSize=size,
            leading=size * 1.38,
            textColor=colour,
            spaceBefore=before,
            spaceAfter=2,
            leftIndent=hang,
            firstLineIndent=-hang,
            alignment=2 if right else 0,
            keepWithNext=outline is not None,
            splitLongWords=1,
        )
        plain = text.text if isinstance(text, Link) else text
        marked = escape(_drawable(plain, self.regular))
        if isinstance(text, Link):
            to = text.to.removesuffix(".html") + ".pdf" if text.to.endswith(".html") else text.to
            marked = f'<a href="{escape(to)}" color="{INK}"><u>{marked}</u></a>'
        paragraph = Words(marked, style)
        paragraph.place = self.tags.add(parent, tag)
        paragraph.bookmark = None if outline is None else (plain, outline)
        return paragraph

    def caution(self, text: str, parent: Any) -> list[Any]:
        """In a box with a thick edge: a caution is known without colour."""
        paragraph = self.words(text, parent, "P", size=9)
        box = [("BOX", (0, 0), (-1, -1), 0.8, INK), ("LINEBEFORE", (0, 0), (0, -1), 4, INK)]
        return self.grid([[paragraph]], [WIDTH - 2 * MARGIN], box, pad=6, whole=True)

    def picture(self, block: Picture, parent: Any, width: float) -> list[Any]:
        from pipeline.records.paper.tagged import Figure

        place = self.tags.add(parent, "Figure", alt=block.alt)
        limit = 0.62 * (HEIGHT - MARGIN - FOOT)
        figure = Figure(block.raster, block.width * width, limit, place)
        if not block.caption:
            figure.keepWithNext = False
            return [figure]
        caption = self.words(block.caption, parent, "Caption", size=8.5, colour=SOFT)
        return [figure, caption]

    def table(self, block: Table, parent: Any, width: float) -> list[Any]:
        place = self.tags.add(parent, "Table")
        found = []
        if block.caption:
            caption = self.words(block.caption, place, "Caption", size=8.5, colour=SOFT, before=6)
            caption.keepWithNext = True
            found.append(caption)
        rows = []
        for number, row in enumerate((block.columns, *block.rows)):
            line = self.tags.add(place, "TR")
            rows.append(
                [
                    self.words(
                        cell,
                        line,
                        "TH" if number == 0 or column == 0 else "TD",
                        size=8.5,
                        bold=number == 0,
                        before=0,
                        right=column in block.numbers,
                    )
                    for column, cell in enumerate(row)
                ]
            )
        style = [
            ("LINEBELOW", (0, 0), (-1, 0), 1, INK),
            ("LINEBELOW", (0, 1), (-1, -1), 0.3, LINE),
            ("BACKGROUND", (0, 0), (-1, 0), WASH),
        ]
        return found + self.grid(rows, self.widths(block, width), style, pad=3)

    def widths(self, block: Table, width: float) -> list[float]:
        """At least the longest word of each column; the rest goes to those that want more."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        def long(text: str) -> float:
            return float(stringWidth(text, self.bold, 8.5)) + 8

        lines = (block.columns, *block.rows)
        texts = [
            [cell.text if isinstance(cell, Link) else cell for cell in column]
            for column in zip(*lines, strict=True)
        ]
        wanted = [max(long(text) for text in column) for column in texts]
        least = [max(long(w) for text in column for w in text.split() or [""]) for column in texts]
        if sum(wanted) <= width:
            return wanted
        if sum(least) >= width:  # words must break
            return [width * one / sum(least) for one in least]
        spare = (width - sum(least)) / (sum(wanted) - sum(least))
        return [low + spare * (high - low) for low, high in zip(least, wanted, strict=True)]

    def grid(
        self,
        rows: list[list[Any]],
        widths: list[float],
        style: list[Any],
        *,
        pad: float,
        whole: bool = False,
    ) -> list[Any]:
        from pipeline.records.paper.tagged import Grid

        grid = Grid(
            rows,
            colWidths=widths,
            hAlign="LEFT",
            repeatRows=0 if whole else 1,
            splitInRow=1,
            style=[
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), pad),
                ("RIGHTPADDING", (0, 0), (-1, -1), pad),
                ("TOPPADDING", (0, 0), (-1, -1), pad / 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), pad),
                *style,
            ],
        )
        grid.spaceBefore = grid.spaceAfter = 4
        return [grid]

    def columns(self, block: Columns, parent: Any, width: float) -> list[Any]:
        """Side by side where all fit on one page, else one under the other."""
        from pipeline.records.paper.tagged import height_of

        shares = block.shares or (1.0,) * len(block.columns)
        gap = 6 * MM
        usable = width - gap * (len(shares) - 1)
        parts = [usable * share / sum(shares) for share in shares]
        mark = self.tags.mark(parent)
        side = [
            self.blocks(column, parent, part)
            for column, part in zip(block.columns, parts, strict=True)
        ]
        tallest = max(height_of(column, part) for column, part in zip(side, parts, strict=True))
        if tallest < 0.9 * (HEIGHT - MARGIN - FOOT):
            cells: list[Any] = []
            for column in side:
                cells += [column, ""]
            spans = [w for part in parts for w in (part, gap)]
            return self.grid([cells[:-1]], spans[:-1], [], pad=0, whole=True)
        self.tags.back(parent, mark)
        return [flow for column in block.columns for flow in self.blocks(column, parent, width)]


def _drawable(text: str, font: str) -> str:
    """Letters that the font lacks become a visible sign instead of nothing."""
    from reportlab.pdfbase import pdfmetrics

    known = pdfmetrics.getFont(font).face.charToGlyph
    return "".join(letter if ord(letter) in known else "\ufffd" for letter in text)

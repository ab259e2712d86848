"""One paper, two ways to write it: both say all of it, and both carry the caution."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from pipeline.knee.errors import Problem
from pipeline.records.paper import (
    Caution,
    Columns,
    Heading,
    Items,
    Link,
    Paper,
    Picture,
    Table,
    Text,
    write_html,
    write_pdf,
)
from pipeline.records.paper.html import html
from pipeline.records.paper.model import walk
from pipeline.records.paper.pdf import pdf

CAUTION = "PROPOSAL FOR HUMAN REVIEW - NOT FOR GUIDANCE"


def png(shade: int = 90) -> bytes:
    file = io.BytesIO()
    Image.new("L", (120, 80), shade).save(file, "PNG")
    return file.getvalue()


def sample(**values: object) -> Paper:
    table = Table(
        ("film", "angle", "words"),
        (("eins", "1.5", "größer ≥ 5°"), (Link("zwei", "two.html"), "2.5", "<b>")),
        "All films",
        (1,),
    )
    blocks = (
        Text("It leads.", "lead"),
        Caution("Mind this."),
        Heading("Pictures"),
        Columns(
            ((Picture(png(), "a grey field, größer", "Grey"),), (Heading("Beside", 3), table)),
            (2, 1),
        ),
        Heading("Skips a level", 4),
        Items(("first item", "second item")),
        Text("Quiet end.", "quiet"),
    )
    return Paper("A title", "of invented films", blocks, made_by="program 1.2", **values)  # type: ignore[arg-type]


def words(reader: PdfReader) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def read(paper: Paper) -> PdfReader:
    return PdfReader(io.BytesIO(pdf(paper)))


def test_both_say_everything() -> None:
    said = " ".join(words(read(sample())))
    page = html(sample())
    for text in (
        "A title",
        "of invented films",
        "It leads.",
        "Mind this.",
        "Beside",
        "1.5",
        "größer ≥ 5°",
        "All films",
        "first item",
        "Quiet end.",
        "program 1.2",
        "Grey",
        CAUTION,
    ):
        assert text in said
        assert text in page


def test_text_is_never_markup() -> None:
    assert "&lt;b&gt;" in html(sample())
    assert "<b>" in " ".join(words(read(sample())))


def test_the_page_is_one_file_that_loads_nothing() -> None:
    page = html(sample())
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "url(" not in page
    assert "default-src 'none'" in page
    assert page.count("data:image/png;base64,") == 1


def test_every_printed_page_carries_caution_and_number() -> None:
    long = Paper(
        "Long",
        "",
        (Text("word " * 4000), Table(("a", "b"), tuple((f"row {n}", "x") for n in range(90)), "t")),
    )
    pages = words(read(long))
    assert len(pages) > 4
    for number, page in enumerate(pages, 1):
        assert CAUTION in page
        assert f"page {number} of {len(pages)}" in page
    assert "@bottom-left" in html(long)
    assert sum("row 89" in page for page in pages) == 1
    heads = [page for page in pages if "row " in page]
    assert len(heads) > 1
    assert all("a b row" in page for page in heads), "a table's head stands on each of its pages"


def test_invented_data_are_said_to_be_so_on_every_page() -> None:
    made = sample(invented=True)
    assert all("INVENTED DATA" in page for page in words(read(made)))
    assert html(made).count("INVENTED DATA") >= 2
    assert "INVENTED DATA" not in html(sample())


def test_the_document_has_title_language_bookmarks_and_embedded_letters() -> None:
    reader = read(sample(language="en"))
    assert reader.metadata is not None
    assert reader.metadata.title == "A title – of invented films"
    assert reader.trailer["/Root"]["/Lang"] == "en"
    flat: list[str] = []

    def gather(outline: list) -> None:  # type: ignore[type-arg]
        for item in outline:
            gather(item) if isinstance(item, list) else flat.append(item.title)

    gather(reader.outline)
    assert flat == ["A title", "Pictures", "Beside", "Skips a level"]
    fonts = {
        str(font.get_object()["/BaseFont"]): font.get_object()
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()
    }
    used = [font for name, font in fonts.items() if "DejaVu" in name]
    assert used
    assert all("/FontFile2" in font["/FontDescriptor"] for font in used)


def nodes(reader: PdfReader) -> list[tuple[str, str]]:
    """(tag, alternative text) of the structure tree in reading order."""
    found: list[tuple[str, str]] = []

    def walk_(node: object) -> None:
        item = node.get_object()  # type: ignore[attr-defined]
        if "/S" in item:
            found.append((item["/S"][1:], str(item.get("/Alt", ""))))
        for child in item.get("/K", []):
            if "/S" in child.get_object():
                walk_(child)

    walk_(reader.trailer["/Root"]["/StructTreeRoot"])
    return found


def test_tags_follow_the_paper() -> None:
    reader = read(sample())
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"] is not None
    tags = nodes(reader)
    kinds = [kind for kind, _ in tags]
    assert ("Figure", "a grey field, größer") in tags
    assert [kind for kind in kinds if kind[0] == "H"] == ["H1", "H2", "H3", "H4"]
    early = Paper("A", "", (Heading("Too deep", 4), Heading("Deeper", 4), Heading("Back", 2)))
    assert "<h2>Too deep</h2>" in html(early)
    assert [kind for kind, _ in nodes(read(early)) if kind[0] == "H"] == ["H1", "H2", "H3", "H2"]
    assert kinds.count("TR") == 3
    assert kinds.count("TH") == 3 + 2
    assert kinds.count("TD") == 4
    assert kinds.count("LBody") == 2


def test_everything_drawn_is_tagged_or_an_artifact() -> None:
    """Text outside `BDC ... EMC` is lost to a screen reader (ISO 32000-1, 14.8.2)."""
    for page in read(sample()).pages:
        depth = 0
        for line in page.get_contents().get_data().decode("latin-1").split("\n"):  # type: ignore[union-attr]
            tokens = line.split()
            depth += tokens.count("BDC") + tokens.count("BMC") - tokens.count("EMC")
            if "Tj" in tokens or "TJ" in tokens or "Do" in tokens:
                assert depth == 1, line
        assert depth == 0


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="needs poppler's pdfinfo")
def test_tagged_text_keeps_its_words_apart_at_line_ends(tmp_path: Path) -> None:
    words_ = " ".join(f"word{number}" for number in range(60))
    write_pdf(Paper("T", "", (Text(words_),)), tmp_path / "a.pdf")
    command = ["pdfinfo", "-struct-text", str(tmp_path / "a.pdf")]
    read_out = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert words_ in " ".join(read_out.split())


def test_the_same_paper_gives_the_same_bytes() -> None:
    assert pdf(sample()) == pdf(sample())
    assert html(sample()) == html(sample())


def test_columns_too_tall_for_a_page_go_one_under_the_other() -> None:
    tall = (Text("word " * 3000),)
    paper = Paper("Tall", "", (Columns((tall, (Text("the other"),))),))
    reader = read(paper)
    assert len(reader.pages) > 1
    assert "the other" in words(reader)[-1]
    # Nothing of the first attempt is left in the tags.
    assert [kind for kind, _ in nodes(reader)] == ["Document", "P", "H1", "P", "P"]


def test_a_letter_that_the_font_lacks_is_seen_to_be_missing() -> None:
    assert "a�b" in " ".join(words(read(Paper("a\U0001f9b4b", "", ()))))


def test_links_lead_to_the_same_kind_of_file() -> None:
    assert 'href="two.html"' in html(sample())
    actions = [
        note.get_object()["/A"]["/URI"]
        for page in read(sample()).pages
        for note in page.get("/Annots", [])
    ]
    assert actions == ["two.pdf"]


def test_wrong_blocks_never_exist() -> None:
    with pytest.raises(ValueError, match="expected 2 cells, got 1"):
        Table(("a", "b"), (("x",),), "short")
    with pytest.raises(ValueError, match="what it shows"):
        Picture(png(), "")
    with pytest.raises(ValueError, match="PNG"):
        Picture(b"<svg/>", "a drawing")
    with pytest.raises(ValueError, match="level"):
        Heading("x", 1)


def test_a_language_without_catalogue_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="'xx' is not known; choose one of en"):
        write_html(sample(language="xx"), tmp_path / "a.html")
    assert not list(tmp_path.iterdir())


def test_files_are_written(tmp_path: Path) -> None:
    write_html(sample(), tmp_path / "deep" / "a.html")
    write_pdf(sample(), tmp_path / "deep" / "a.pdf")
    assert (tmp_path / "deep" / "a.pdf").read_bytes().startswith(b"%PDF")
    assert sum(isinstance(block, Picture) for block in walk(sample().blocks)) == 1
    assert np.asarray(Image.open(io.BytesIO(png()))).shape == (80, 120)

"""A paper as one HTML file: pictures inside, no script, no network, light and dark."""

from __future__ import annotations

import base64
import json
from pathlib import Path

from pipeline.language import speech
from pipeline.records.files import write_atomic
from pipeline.records.paper.model import Block, Link, Paper, Picture, levels
from pipeline.records.paper.standing import cautions
from pipeline.records.templates import render


def write_html(paper: Paper, path: Path) -> None:
    """Writes the page, whole or not at all.

    Raises:
        Problem: the paper's language has no catalogue, or the file cannot be written.
    """
    write_atomic(path, html(paper))


def html(paper: Paper) -> str:
    """The page."""
    t = speech(paper.language)
    head, body = cautions(t, paper.invented)
    depth = levels(paper.blocks)
    return render(
        "pipeline.records.paper",
        "paper.html",
        paper=paper,
        table=t("Table"),
        head=head,
        body=body,
        # A CSS string, for the foot of each printed page; `<` would end the style element.
        foot=json.dumps(head, ensure_ascii=False).replace("<", "\\3c "),
        level=lambda block: depth[id(block)],
        kind=_kind,
        source=_source,
        linked=lambda cell: isinstance(cell, Link),
        whole=_whole,
    )


def _whole(cell: object) -> bool:
    """Whether a cell is a short word, such as a day or a code, which no line break may part."""
    text = cell.text if isinstance(cell, Link) else str(cell)
    return len(text) <= 16 and " " not in text


def _kind(block: Block) -> str:
    return type(block).__name__


def _source(picture: Picture) -> str:
    return f"data:image/{picture.kind};base64,{base64.b64encode(picture.data).decode()}"

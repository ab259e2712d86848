"""Reports on paper: one model, written as a page (HTML) and as a document (PDF)."""

from pipeline.records.paper.html import write_html
from pipeline.records.paper.model import (
    Block,
    Caution,
    Columns,
    Heading,
    Items,
    Link,
    Paper,
    Picture,
    Table,
    Text,
)
from pipeline.records.paper.pdf import write_pdf

__all__ = [
    "Block",
    "Caution",
    "Columns",
    "Heading",
    "Items",
    "Link",
    "Paper",
    "Picture",
    "Table",
    "Text",
    "write_html",
    "write_pdf",
]

"""The store: readings, what people decided about them, and a history that only grows."""

from pipeline.records.store.acquisitions import Acquisitions
from pipeline.records.store.copying import copy_store
from pipeline.records.store.fill import add_results, open_store
from pipeline.records.store.find import Found, find
from pipeline.records.store.model import (
    Break,
    Conflict,
    Decision,
    DoubleReading,
    Entry,
    Filter,
    Row,
    StoredReading,
)
from pipeline.records.store.originals import open_original
from pipeline.records.store.store import Store

__all__ = [
    "Acquisitions",
    "Break",
    "Conflict",
    "Decision",
    "DoubleReading",
    "Entry",
    "Filter",
    "Found",
    "Row",
    "Store",
    "StoredReading",
    "add_results",
    "copy_store",
    "find",
    "open_original",
    "open_store",
]

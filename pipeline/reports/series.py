"""What the audit of a series says about the films of one study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.align.options import AlignOptions
from pipeline.audit.model import FilmRead
from pipeline.audit.series import series_blocks
from pipeline.audit.study import audit_of
from pipeline.language import Speech
from pipeline.readers.dicom_shot import Shot
from pipeline.records.paper import Block
from pipeline.reports.facts import Fact


def series(
    t: Speech, facts: Sequence[Fact], shots: Mapping[int, Shot], align: AlignOptions
) -> tuple[Block, ...]:
    """How the views were found, film after film; () where every view has a single film.

    Args:
        shots: what the headers say, by number of the reading.
        align: options of the verdict.
    """
    films = [
        FilmRead(
            id=fact.record.number,
            name=fact.name,
            row=fact.reading,
            state=fact.record.state,
            shot=shots[fact.record.number],
            operator=fact.operator or None,
        )
        for fact in facts
    ]
    study = audit_of(facts[0].study, films, align)
    return series_blocks(t, study, align.tolerance_deg)

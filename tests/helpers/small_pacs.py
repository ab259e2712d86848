"""A DICOM server in this process, made of pynetdicom's own SCPs, that can be made to misbehave."""

from __future__ import annotations

import ssl
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from invented_archive import Kept
from pydicom.dataset import Dataset

from pipeline.archive.sources.association import ECHO, FIND, GET, MOVE, film_contexts, library

LEVELS = {
    "STUDY": ("StudyInstanceUID", "StudyDate"),
    "SERIES": ("SeriesInstanceUID", "Modality", "BodyPartExamined", "StationName"),
    "IMAGE": ("SOPInstanceUID", "SOPClassUID", "NumberOfFrames"),
}
UIDS = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")


class SmallPacs:
    """Answers queries about `kept`; faults are set as attributes while it runs."""

    def __init__(self, kept: Sequence[Kept]) -> None:
        self.kept = list(kept)
        self.port = 0
        self.queries: list[str] = []
        self.users: list[tuple[str, str]] = []
        self.login: tuple[str, str] | None = None
        self.destinations: dict[str, tuple[str, int]] = {}
        self.move_tls: tuple[ssl.SSLContext, str] | None = None
        self.abort_find = 0
        self.abort_get = 0  # aborts that many retrievals after the first film
        self.refuse_get = 0  # answers that many retrievals with a failure
        self.drop: set[str] = set()
        self.slow_s = 0.0
        self.stray: Kept | None = None  # sent on top of what was asked for
        self.gone = False  # associations that are open already outlive the server's shutdown

    def _matching(self, asked: Dataset) -> Iterator[Kept]:
        for each in self.kept:
            said = {key: asked.get(key) for key in UIDS}
            fits = all(
                not uids or each.dataset[key].value in ([uids] if isinstance(uids, str) else uids)
                for key, uids in said.items()
            )
            low, _, high = str(asked.get("StudyDate") or "").partition("-")
            day = str(each.dataset.get("StudyDate", ""))
            if fits and (low or "0") <= day <= (high or "9"):
                yield each

    def find(self, event: Any) -> Iterator[tuple[int, Dataset | None]]:
        asked = event.identifier
        level = asked.QueryRetrieveLevel
        self.queries.append(level)
        time.sleep(self.slow_s)
        if self.abort_find:
            self.abort_find -= 1
            event.assoc.abort()
            return
        told: set[str] = set()
        for each in self._matching(asked):
            answer = Dataset()
            answer.QueryRetrieveLevel = level
            for key in LEVELS[level]:
                if key in each.dataset and key in asked:
                    setattr(answer, key, each.dataset[key].value)
            uid = str(answer[LEVELS[level][0]].value)
            if uid not in told:
                told.add(uid)
                yield 0xFF00, answer

    def _films(self, event: Any) -> list[Dataset]:
        found = [each for each in self._matching(event.identifier)
                 if each.dataset.SOPInstanceUID not in self.drop]  # fmt: skip
        if self.stray is not None:
            found.append(self.stray)
        return [each.dataset for each in found]

    def get(self, event: Any) -> Iterator[Any]:
        yield from self._send(event, self._films(event))

    def move(self, event: Any) -> Iterator[Any]:
        where = self.destinations.get(event.move_destination)
        if where is None:
            yield None, None
            return
        options: dict[str, Any] = {"contexts": film_contexts(), "ae_title": event.move_destination}
        if self.move_tls is not None:
            options["tls_args"] = self.move_tls
        yield (*where, options)
        yield from self._send(event, self._films(event))

    def _send(self, event: Any, films: list[Dataset]) -> Iterator[Any]:
        time.sleep(self.slow_s)
        if self.gone:
            event.assoc.abort()
            return
        if self.refuse_get:
            self.refuse_get -= 1
            yield 1
            yield 0xC000, None
            return
        yield len(films)
        for number, each in enumerate(films):
            if number == 1 and self.abort_get:
                self.abort_get -= 1
                event.assoc.abort()
                return
            yield 0xFF00, each

    def who(self, event: Any) -> tuple[bool, bytes | None]:
        said = event.primary_field.decode(), event.secondary_field.decode()
        self.users.append(said)
        return self.login is None or said == self.login, None


@contextmanager
def serving_pacs(
    kept: Sequence[Kept], *, tls: ssl.SSLContext | None = None, callers: Sequence[str] = ()
) -> Iterator[SmallPacs]:
    """The server, listening on loopback as SMALLPACS."""
    pynetdicom = library()
    evt = pynetdicom.evt
    pacs = SmallPacs(kept)
    entity = pynetdicom.AE(ae_title="SMALLPACS")
    entity.require_called_aet = True
    entity.require_calling_aet = list(callers)
    for context in (ECHO, FIND, MOVE, GET):
        entity.add_supported_context(context)
    for context in film_contexts():
        entity.add_supported_context(
            context.abstract_syntax, context.transfer_syntax, scu_role=True, scp_role=True
        )
    server = entity.start_server(
        ("127.0.0.1", 0),
        block=False,
        ssl_context=tls,
        evt_handlers=[
            (evt.EVT_C_FIND, pacs.find),
            (evt.EVT_C_GET, pacs.get),
            (evt.EVT_C_MOVE, pacs.move),
            (evt.EVT_C_ECHO, lambda _: 0),
            (evt.EVT_USER_ID, pacs.who),
        ],
    )
    pacs.port = server.server_address[1]
    try:
        yield pacs
    finally:
        pacs.gone = True
        entity.shutdown()

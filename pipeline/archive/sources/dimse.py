"""Films of a DICOM server: C-FIND to list them, C-GET or C-MOVE to fetch them.

DICOM PS3.4 annex C: query and retrieve, study root.
"""

from __future__ import annotations

import socket
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.archive.contract import Listed, Wanted
from pipeline.archive.sources.association import (
    ECHO,
    FIND,
    GET,
    MOVE,
    STORED,
    Place,
    association,
    film_contexts,
    library,
    place_of,
)
from pipeline.archive.sources.names import (
    OF_SERIES,
    Uids,
    by_series,
    date_range,
    file_for,
    listed_if_wanted,
    not_sent,
    one_modality,
)
from pipeline.archive.sources.network import (
    MEGABYTE,
    Network,
    check_plain,
    is_near,
    server_tls,
    too_large,
)
from pipeline.archive.sources.patience import PassingError, Patience, spread
from pipeline.archive.sources.storage_scp import (
    NO_ROOM,
    SUCCESS,
    WRONG,
    Door,
    Pushed,
    pushed_of,
    storage_scp,
)
from pipeline.knee.errors import Problem
from pipeline.records.files import StopError, disk_errors

PENDING = (0xFF00, 0xFF01)
WARNINGS = 0xB000
"""A retrieval of which some parts failed (PS3.4 table C.4-3); what is missing is told film by
film."""

PORT_WAIT_S = 60.0
"""Several processes that fetch by C-MOVE take turns at the one port that the server knows."""

OF_INSTANCE = ("SOPClassUID", "AcquisitionDate", "NumberOfFrames")

Give = Callable[[tuple[Listed, Path | Problem]], None]


@dataclass(frozen=True)
class DimseSource:
    """A DICOM server.

    Attributes:
        address: dicom://TITLE@HOST:PORT, or dicom-tls:// for TLS.
        network: how to talk to it.
    """

    address: str
    network: Network = field(default_factory=Network)
    stays: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        place = self.place
        if self.network.fetch_by != "move":
            return
        if place.tls and not self.network.certificate:
            raise Problem(
                "network.certificate",
                "films that are sent back over TLS need a certificate of ours",
                "give network.certificate and network.key, or network.fetch_by=get",
            )
        if not place.tls:
            check_plain(self.network.move_host, "network.move_host", self.network)

    @property
    def place(self) -> Place:
        """The address taken apart. Raises `Problem`."""
        return place_of(self.address, self.network)

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        """Films in the order of the server's studies. Raises `Problem` and `GoneError`."""
        patience = Patience(self.network.attempts, self.network.backoff_s)
        # All studies are noted first, on disk: one query at a time, and a list of any length.
        with tempfile.TemporaryFile("w+", encoding="ascii") as studies:
            try:
                patience.keep_on(lambda: self._note_studies(wanted, studies))
            except PassingError as error:
                raise error.gone() from None
            studies.seek(0)
            with _Finder(self) as finder:
                for line in studies:
                    uid, _, day = line.rstrip("\n").partition(" ")
                    study = {"StudyInstanceUID": uid, "StudyDate": day}
                    try:
                        found = patience.keep_on(partial(finder.instances, study, wanted))
                    except PassingError as error:
                        self._check_alive()
                        yield error.lasting()
                        continue
                    for one in found:
                        entry = listed_if_wanted(one, wanted)
                        if entry is not None:
                            yield entry

    def _note_studies(self, wanted: Wanted, studies: Any) -> None:
        studies.seek(0)
        studies.truncate()
        modality = "" if wanted.unknown else one_modality(wanted)
        asked = {"StudyDate": date_range(wanted), "ModalitiesInStudy": modality}
        with _Finder(self) as finder:
            for found in finder.find("STUDY", {**asked, "StudyInstanceUID": ""}):
                uid, day = found.get("StudyInstanceUID", ""), found.get("StudyDate", "")
                if uid.isascii() and "\n" not in uid + day:
                    studies.write(f"{uid} {day if day.isdecimal() else ''}\n")

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """Files of the films, series by series over several associations. Raises `GoneError`."""
        groups = [*by_series(listed)]
        count = min(self.network.connections, max(1, len(groups)))
        inbox = _Inbox(self.address, self.network, folder)

        def work(mine: Iterator[list[tuple[Listed, Uids]]], give: Give) -> None:
            with _Fetcher(self, inbox) as fetcher:
                for group in mine:
                    self._fetch_series(fetcher, group, give)

        if self.network.fetch_by == "get":
            yield from spread(groups, work, count)
            return
        # All at once, so that the port is free for the next process while these are read.
        with self._receiver(inbox):
            arrived = list(spread(groups, work, count))
        yield from arrived

    def _fetch_series(
        self, fetcher: _Fetcher, group: Sequence[tuple[Listed, Uids]], give: Give
    ) -> None:
        missing = {uids.instance: listed for listed, uids in group}

        def give_found() -> None:
            for instance, outcome in fetcher.inbox.taken(missing):
                give((missing.pop(instance), outcome))

        def once() -> None:
            if missing:
                fetcher.fetch(group[0][1], list(missing), give_found)

        patience = Patience(self.network.attempts, self.network.backoff_s)
        try:
            patience.keep_on(once)
        except Problem as problem:
            if isinstance(problem, PassingError):
                self._check_alive()
                problem = problem.lasting()
            for each in missing.values():
                give((each, problem))
            return
        for pair in not_sent(self.address, missing.values()):
            give(pair)

    def _check_alive(self) -> None:
        """After a failure: was it one film, or is the server gone? Raises `GoneError`."""
        contexts = [library().build_context(ECHO)]
        try:
            with association(self.place, self.network, contexts) as talk:
                if "Status" not in talk.send_c_echo():
                    raise _cut(self.address)
        except PassingError as error:
            raise error.gone() from None

    def _receiver(self, inbox: _Inbox) -> Any:
        """The storage SCP that the server sends to; open to the server's own address alone."""
        place, network = self.place, self.network
        try:
            known = {str(each[4][0]) for each in socket.getaddrinfo(place.host, place.port)}
        except OSError:
            known = set()

        def may(address: str) -> bool:
            return address in known or (is_near(address) and is_near(place.host))

        tls = None
        if place.tls:
            tls = server_tls(network.certificate, network.key, network.ca_file, "network.")
        return storage_scp(
            Door(
                host=network.move_host,
                port=network.move_port,
                title=network.move_title,
                address_may=may,
                caller_may=lambda _, address: may(address),
                tls=tls,
                most_bytes=network.max_megabytes * MEGABYTE,
                timeout_s=network.timeout_s,
                wait_s=PORT_WAIT_S,
            ),
            inbox.take,
        )


class _Inbox:
    """Films on their way in: written when they were asked for, and then told by UID."""

    def __init__(self, address: str, network: Network, folder: Path) -> None:
        self.address = address
        self.network = network
        self.folder = folder
        self.lock = threading.Lock()
        self.expected: set[str] = set()
        self.done: dict[str, Path | Problem] = {}

    def take(self, pushed: Pushed) -> int:
        """Writes one film; the status to answer with."""
        with self.lock:
            if pushed.instance not in self.expected:
                return WRONG
        outcome = self._written(pushed)
        with self.lock:
            self.expected.discard(pushed.instance)
            self.done[pushed.instance] = outcome
        return SUCCESS if isinstance(outcome, Path) else NO_ROOM

    def _written(self, pushed: Pushed) -> Path | Problem:
        if len(pushed.raw) > self.network.max_megabytes * MEGABYTE:
            return too_large(self.address, self.network)
        path = file_for(self.folder, pushed.instance)
        part = path.with_suffix(".part")
        try:
            with disk_errors(self.folder):
                part.write_bytes(pushed.raw)
                return part.replace(path)
        except Problem as problem:
            part.unlink(missing_ok=True)
            return problem

    def expect(self, instances: Sequence[str]) -> None:
        """These may come from now on."""
        with self.lock:
            self.expected.update(instances)

    def taken(self, among: dict[str, Listed]) -> list[tuple[str, Path | Problem]]:
        """What has come of these; each is told once. Raises `Problem` for a full disk."""
        with self.lock:
            ready = [(uid, self.done.pop(uid)) for uid in list(among) if uid in self.done]
        for _, outcome in ready:
            if isinstance(outcome, StopError):
                raise outcome
        return ready


class _Talk:
    """An association that is opened when it is needed and opened anew when it broke."""

    def __init__(self, source: DimseSource) -> None:
        self.source = source
        self.stack = ExitStack()
        self.open: Any = None

    def __enter__(self) -> Any:
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    def talk(self, contexts: Callable[[], Sequence[Any]], **options: Any) -> Any:
        """The open association. Raises `PassingError` and `Problem`."""
        if self.open is None or not self.open.is_established:
            self.stack.close()
            made = association(self.source.place, self.source.network, contexts(), **options)
            self.open = self.stack.enter_context(made)
        return self.open


class _Finder(_Talk):
    """C-FIND."""

    def instances(self, study: dict[str, str], wanted: Wanted) -> list[dict[str, str]]:
        """What the server says about each instance of a study, with series and study."""
        uid = {"StudyInstanceUID": study["StudyInstanceUID"]}
        any_day = replace(wanted, since=None, until=None)
        found = []
        series_keys = {**uid, "SeriesInstanceUID": "", **dict.fromkeys(OF_SERIES, "")}
        for series in list(self.find("SERIES", series_keys)):
            takes = any_day.takes(
                modality=series.get("Modality"),
                body_part=series.get("BodyPartExamined"),
                station=series.get("StationName"),
            )
            if takes and series.get("SeriesInstanceUID"):
                keys = {**uid, "SeriesInstanceUID": series["SeriesInstanceUID"]}
                keys |= {"SOPInstanceUID": "", **dict.fromkeys(OF_INSTANCE, "")}
                found += [{**study, **series, **one} for one in self.find("IMAGE", keys)]
        return found

    def find(self, level: str, keys: dict[str, str]) -> Iterator[dict[str, str]]:
        """Answers to one query, as texts by keyword; empty values left out."""
        from pydicom.dataset import Dataset

        asked = Dataset()
        asked.QueryRetrieveLevel = level
        for keyword, value in keys.items():
            setattr(asked, keyword, value or None)
        talk = self.talk(lambda: [library().build_context(FIND)])
        address = self.source.address
        for status, answer in talk.send_c_find(asked, FIND):
            code = _code(status, address)
            if code in PENDING and answer is not None:
                yield _texts(answer, keys)
            elif code == 0xA700:
                raise PassingError(address, "is out of resources", "try again later")
            elif code not in (SUCCESS, *PENDING):
                raise Problem(
                    address,
                    f"refuses the query (status {code:04X})",
                    "ask whoever runs the server whether our AE title may query it",
                )


class _Fetcher(_Talk):
    """C-GET or C-MOVE."""

    def __init__(self, source: DimseSource, inbox: _Inbox) -> None:
        super().__init__(source)
        self.inbox = inbox

    def fetch(self, uids: Uids, instances: Sequence[str], each_time: Callable[[], None]) -> None:
        """Asks for the instances of one series; `each_time` is called as they come."""
        from pydicom.dataset import Dataset

        asked = Dataset()
        asked.QueryRetrieveLevel = "IMAGE"
        asked.StudyInstanceUID, asked.SeriesInstanceUID = uids.study, uids.series
        asked.SOPInstanceUID = list(instances)
        network, address = self.source.network, self.source.address
        self.inbox.expect(instances)
        if network.fetch_by == "move":
            talk = self.talk(lambda: [library().build_context(MOVE)])
            answers = talk.send_c_move(asked, network.move_title, MOVE)
        else:
            talk = self._for_get()
            answers = talk.send_c_get(asked, GET)
        try:
            for status, _ in answers:
                code = _code(status, address)
                each_time()
                if code in (0xA701, 0xA702, 0xA700):
                    raise PassingError(address, "is out of resources", "try again later")
                if code == 0xA801:
                    raise Problem(
                        address,
                        "does not know where to send the films",
                        "have network.move_title set up there, with our address and port",
                    )
                if code not in (SUCCESS, WARNINGS, *PENDING):
                    raise PassingError(
                        address,
                        f"cannot send a film (status {code:04X})",
                        "ask whoever runs the server whether our AE title may fetch from it",
                    )
        finally:
            each_time()

    def _for_get(self) -> Any:
        pynetdicom = library()

        return self.talk(
            lambda: [pynetdicom.build_context(GET), *film_contexts()],
            roles=[pynetdicom.build_role(kind, scp_role=True) for kind in STORED],
            handlers=[(pynetdicom.evt.EVT_C_STORE, self._stored)],
        )

    def _stored(self, event: Any) -> int:
        return self.inbox.take(pushed_of(event))


def _code(status: Any, address: str) -> int:
    """The status of an answer. Raises `PassingError` where none came in time."""
    if "Status" not in status:
        raise _cut(address)
    return int(status.Status)


def _cut(address: str) -> PassingError:
    return PassingError(address, "stopped answering", "try again later, or raise network.timeout_s")


def _texts(answer: Any, keys: dict[str, str]) -> dict[str, str]:
    found = {}
    for keyword in keys:
        try:
            value = answer.get(keyword)
        except Exception:  # pydicom converts on access and may raise anything on bad bytes
            continue
        if value is not None and not isinstance(value, str | int) and hasattr(value, "__len__"):
            value = value[0] if len(value) else None
        if value is not None and (text := str(value).strip(" \0")):
            found[keyword] = text
    return found

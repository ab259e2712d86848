"""Films of a DICOMweb server: QIDO-RS to list them, WADO-RS by series to fetch them.

DICOM PS3.18: section 10.6 (search), 10.4 (retrieve), 8.6 (multipart).
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pipeline.archive.contract import Listed, Wanted
from pipeline.archive.sources.multipart import (
    Begin,
    BrokenError,
    Data,
    Multipart,
    media_type,
)
from pipeline.archive.sources.names import (
    OF_SERIES,
    Uids,
    by_series,
    date_range,
    file_for,
    instance_in,
    listed_if_wanted,
    not_sent,
    one_modality,
)
from pipeline.archive.sources.network import (
    MEGABYTE,
    PASSWORD,
    TOKEN,
    USER,
    Network,
    check_plain,
    client_tls,
    too_large,
)
from pipeline.archive.sources.patience import PassingError, Patience, spread
from pipeline.knee.errors import Problem
from pipeline.records.files import full_disk

PIECE = 65_536
"""Bytes taken from the network at once."""

LEAST_RATE = 1_000
"""Bytes a second; a server that stays below it for the length of the time limit is given up."""

MOST_LIST = 64 * MEGABYTE
"""Bytes of one page of a list."""

TAGS = {
    "StudyInstanceUID": "0020000D",
    "SeriesInstanceUID": "0020000E",
    "SOPInstanceUID": "00080018",
    "SOPClassUID": "00080016",
    "Modality": "00080060",
    "StudyDate": "00080020",
    "AcquisitionDate": "00080022",
    "BodyPartExamined": "00180015",
    "StationName": "00081010",
    "NumberOfFrames": "00280008",
}
OF_INSTANCE = ("SOPClassUID", "SOPInstanceUID", "AcquisitionDate", "NumberOfFrames")

AS_STORED = 'multipart/related; type="application/dicom"; transfer-syntax=*'
"""The transfer syntax is the server's own: what comes is what lies there, not compressed anew."""

Asked = Mapping[str, str | Sequence[str]]
"""A query; a sequence is asked for by repeating its name, which more servers understand than a
list with commas."""

BUSY = (429, 500, 502, 503, 504)


@dataclass(frozen=True)
class DicomwebSource:
    """A DICOMweb server.

    Attributes:
        address: the service's root, e.g. https://archive.example/dicom-web.
        network: how to talk to it.
    """

    address: str
    network: Network = field(default_factory=Network)
    stays: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        parts = urlsplit(self.address)
        if parts.username is not None or parts.password is not None:
            raise Problem(
                f"{parts.scheme}://{parts.hostname}",
                "the address holds a name or a password, which would be written down",
                f"take it out and set {USER} and {PASSWORD}, or {TOKEN}, in the environment",
            )
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query:
            raise Problem(
                self.address, "is no address of a DICOMweb server", "give https://HOST/PATH"
            )
        if parts.scheme == "http":
            check_plain(parts.hostname, self.address, self.network)

    def list(self, wanted: Wanted) -> Iterator[Listed | Problem]:
        """Films in the order of the server's studies. Raises `Problem` and `GoneError`."""
        with _Talk(self) as talk:
            for study in talk.studies(wanted):
                if isinstance(study, Problem):
                    yield study
                    continue
                try:
                    for found in talk.instances(study, wanted):
                        one = listed_if_wanted(found, wanted)
                        if one is not None:
                            yield one
                except PassingError as error:
                    talk.check_alive()
                    yield error.lasting()

    def fetch(
        self, listed: Sequence[Listed], folder: Path
    ) -> Iterator[tuple[Listed, Path | Problem]]:
        """Files of the films, series by series over several connections. Raises `GoneError`."""
        groups = list(by_series(listed))

        def work(
            mine: Iterator[list[tuple[Listed, Uids]]],
            give: Callable[[tuple[Listed, Path | Problem]], None],
        ) -> None:
            with _Talk(self) as talk:
                for group in mine:
                    talk.series(group, folder, give)

        yield from spread(groups, work, min(self.network.connections, max(1, len(groups))))


class _Talk:
    """One connection that is kept open; belongs to one thread."""

    def __init__(self, server: DicomwebSource) -> None:
        self.address = server.address.rstrip("/")
        self.network = server.network
        self.patience = Patience(self.network.attempts, self.network.backoff_s)
        self.session = _session(server.address, server.network)

    def __enter__(self) -> _Talk:
        return self

    def __exit__(self, *_: object) -> None:
        self.session.close()

    # ---- lists ------------------------------------------------------------------------------

    def studies(self, wanted: Wanted) -> Iterator[dict[str, str] | Problem]:
        """Studies of the asked days, page by page; a `Problem` where there may be more."""
        asked = {"includefield": "StudyDate", "limit": str(self.network.page)}
        if days := date_range(wanted):
            asked["StudyDate"] = days
        if (modality := one_modality(wanted)) and not wanted.unknown:
            asked["ModalitiesInStudy"] = modality
        seen: set[str] = set()
        offset = 0
        while True:
            try:
                page = self.query("/studies", {**asked, "offset": str(offset)})
            except PassingError as error:
                raise error.gone() from None
            new = [each for each in page if each.get("StudyInstanceUID", "") not in seen]
            yield from new
            if not new:
                # The end; or a server that knows no pages and gives everything each time.
                if len(page) == self.network.page:
                    yield Problem(
                        self.address,
                        f"gives the same {len(page)} studies for every page of its list",
                        "ask for fewer days at once, or raise network.page",
                    )
                return
            offset += len(page)
            seen = {each.get("StudyInstanceUID", "") for each in page}

    def instances(self, study: dict[str, str], wanted: Wanted) -> Iterator[dict[str, str]]:
        """What the server says about each instance of a study, with series and study."""
        uid = study.get("StudyInstanceUID", "")
        any_day = replace(wanted, since=None, until=None)
        for series in self.query(f"/studies/{uid}/series", {"includefield": OF_SERIES}):
            if not any_day.takes(
                modality=series.get("Modality"),
                body_part=series.get("BodyPartExamined"),
                station=series.get("StationName"),
            ):
                continue
            path = f"/studies/{uid}/series/{series.get('SeriesInstanceUID', '')}/instances"
            for one in self.query(path, {"includefield": OF_INSTANCE}):
                yield {**study, **series, **one}

    def query(self, path: str, asked: Asked) -> list[dict[str, str]]:
        """One search (PS3.18 section 10.6), as texts by keyword. Raises `PassingError`."""

        def once() -> list[dict[str, str]]:
            with self.get(path, "application/dicom+json", asked) as answer:
                if answer.status_code == 204:
                    return []
                raw = b"".join(self.pieces(answer, MOST_LIST))
            return _told(raw, self.address)

        return self.patience.keep_on(once)

    def check_alive(self) -> None:
        """After a failure: was it one film, or is the server gone? Raises `GoneError`."""
        try:
            with self.get("/studies", "application/dicom+json", {"limit": "1"}):
                pass
        except PassingError as error:
            raise error.gone() from None

    # ---- films ------------------------------------------------------------------------------

    def series(
        self,
        group: Sequence[tuple[Listed, Uids]],
        folder: Path,
        give: Callable[[tuple[Listed, Path | Problem]], None],
    ) -> None:
        """Passes on each film of one series, or what is wrong with it."""
        missing = {uids.instance: listed for listed, uids in group}
        uids = group[0][1]
        path = f"/studies/{uids.study}/series/{uids.series}"
        whole = path if len(missing) > 1 else f"{path}/instances/{uids.instance}"

        def once() -> None:
            if not missing:
                return
            with self.get(whole, AS_STORED, {}) as answer:
                for made in self.files(answer, folder):
                    instance = instance_in(made)
                    wanted = missing.get(instance)
                    if wanted is None:
                        made.unlink()  # not asked for, or here already from an attempt before
                        continue
                    final = file_for(folder, instance)
                    made.replace(final)
                    give((wanted, final))
                    del missing[instance]

        try:
            self.patience.keep_on(once)
        except Problem as problem:
            if isinstance(problem, PassingError):
                self.check_alive()
                problem = problem.lasting()
            for listed in missing.values():
                give((listed, problem))
            return
        for pair in not_sent(self.address, missing.values()):
            give(pair)

    def files(self, answer: Any, folder: Path) -> Iterator[Path]:
        """Each part of an answer as a file that is complete."""
        kind, parameters = media_type(answer.headers.get("Content-Type", ""))
        most = self.network.max_megabytes * MEGABYTE
        temporary = folder / f".{os.urandom(8).hex()}.part"
        try:
            if kind == "application/dicom":
                with full_disk(str(folder)), open(temporary, "wb") as file:
                    for raw in self.pieces(answer, most):
                        file.write(raw)
                yield temporary
                return
            if kind != "multipart/related":
                raise Problem(
                    self.address, "answers with something that is no film", "check the address"
                )
            yield from self._parts(answer, parameters.get("boundary", ""), temporary, most)
        finally:
            temporary.unlink(missing_ok=True)

    def _parts(self, answer: Any, boundary: str, temporary: Path, most: int) -> Iterator[Path]:
        file = None
        try:
            message = Multipart(boundary)
            for raw in self.pieces(answer, None):
                for event in message.feed(raw):
                    with full_disk(str(temporary.parent)):
                        if isinstance(event, Begin):
                            file, size = open(temporary, "wb"), 0  # noqa: SIM115 - closed below
                        elif isinstance(event, Data):
                            assert file is not None
                            size += len(event.raw)
                            if size > most:
                                raise too_large(self.address, self.network)
                            file.write(event.raw)
                        else:
                            assert file is not None
                            file.close()
                    if not isinstance(event, Begin | Data):
                        yield temporary
            message.finish()
        except BrokenError:
            raise _cut(self.address) from None
        finally:
            if file is not None:
                file.close()

    # ---- the wire ---------------------------------------------------------------------------

    def get(self, path: str, accept: str, asked: Asked) -> Any:
        """An answer that says yes, its body still to come. Raises `PassingError`, `Problem`."""
        import requests

        try:
            answer = self.session.get(
                f"{self.address}{path}",
                params=asked,
                headers={"Accept": accept},
                stream=True,
                allow_redirects=False,  # what is sent along is meant for this server alone
                timeout=self.network.timeout_s,
            )
        except requests.exceptions.SSLError:
            raise Problem(
                self.address,
                "shows a certificate that cannot be trusted, or refuses ours",
                "give network.ca_file, network.certificate and the name that the certificate has",
            ) from None
        except requests.exceptions.Timeout:
            raise PassingError(
                self.address,
                f"did not answer within {self.network.timeout_s:g} s",
                "try again later, or raise network.timeout_s",
            ) from None
        except requests.exceptions.RequestException:
            raise PassingError(
                self.address,
                "cannot be reached",
                "check the address, and that the server runs",
            ) from None
        if answer.status_code in (200, 204, 206):
            return answer
        answer.close()
        raise _refused(self.address, answer.status_code, answer.headers.get("Retry-After", ""))

    def pieces(self, answer: Any, most: int | None) -> Iterator[bytes]:
        """The body as it comes. Raises `PassingError` where it stops, crawls or ends early."""
        import urllib3

        began, count = time.monotonic(), 0
        try:
            while raw := answer.raw.read1(PIECE, decode_content=True):
                count += len(raw)
                if most is not None and count > most:
                    raise too_large(self.address, self.network)
                yield raw
                passed = time.monotonic() - began
                if passed > self.network.timeout_s and count < LEAST_RATE * passed:
                    raise PassingError(
                        self.address,
                        f"sends less than {LEAST_RATE} bytes a second",
                        "try again later",
                    )
        except (urllib3.exceptions.HTTPError, OSError):
            raise _cut(self.address) from None
        length = answer.headers.get("Content-Length", "")
        encoded = answer.headers.get("Content-Encoding")
        if length.isdecimal() and not encoded and count < int(length):
            raise _cut(self.address)


def _cut(address: str) -> PassingError:
    return PassingError(address, "stopped in the middle of an answer", "try again later")


def _refused(address: str, status: int, retry_after: str) -> Problem:
    if status in BUSY:
        wait = float(retry_after) if retry_after.isdecimal() else 0.0
        return PassingError(
            address, f"is busy or in trouble (status {status})", "try again later", wait
        )
    if status in (401, 403, 407):
        return Problem(
            address,
            f"does not let us in (status {status})",
            f"set {USER} and {PASSWORD}, or {TOKEN}, in the environment, or network.certificate",
        )
    if 300 <= status < 400:
        return Problem(
            address, "points to another address", "give the address it points to instead"
        )
    if status in (404, 410):
        return Problem(
            address, "does not have what was asked for", "check the address; list the source again"
        )
    return Problem(
        address, f"refuses (status {status})", "ask whoever runs the server what it offers"
    )


def _told(raw: bytes, address: str) -> list[dict[str, str]]:
    """A page of the DICOM JSON model (PS3.18 annex F), first values only, as texts."""
    import json

    def text(attribute: Any) -> str:
        values = attribute.get("Value") if isinstance(attribute, dict) else None
        return str(values[0]).strip() if isinstance(values, list) and values else ""

    try:
        page = json.loads(raw) if raw.strip() else []
        if not isinstance(page, list):
            raise ValueError
        told = [{keyword: text(each.get(tag)) for keyword, tag in TAGS.items()} for each in page]
        return [{keyword: said for keyword, said in each.items() if said} for each in told]
    except (ValueError, AttributeError, RecursionError):
        raise Problem(
            address, "answers with something that is no list", "check the address"
        ) from None


def _session(address: str, network: Network) -> Any:
    """A session that believes only what the options say, and sends what the environment holds."""
    try:
        import requests
        from requests.adapters import HTTPAdapter
    except ImportError:
        raise Problem(
            "DICOMweb",
            "the packages that talk to it are not installed",
            "install squareon[archive]",
        ) from None

    class Adapter(HTTPAdapter):
        def init_poolmanager(self, *args: Any, **options: Any) -> None:
            super().init_poolmanager(*args, **options, ssl_context=client_tls(network))

    class Login(requests.auth.AuthBase):
        def __call__(self, request: Any) -> Any:
            token, user = os.environ.get(TOKEN), os.environ.get(USER)
            if token:
                request.headers["Authorization"] = f"Bearer {token}"
            elif user:
                basic = requests.auth.HTTPBasicAuth(user, os.environ.get(PASSWORD, ""))
                request = basic(request)
            return request

    session = requests.Session()
    session.trust_env = False  # no passwords from a .netrc, no proxy that nobody named here
    session.auth = Login()
    if network.ca_file:
        session.verify = network.ca_file
    if address.startswith("https:"):
        session.mount("https://", Adapter())
    return session

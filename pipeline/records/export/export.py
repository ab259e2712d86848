"""Exports what people have accepted: objects for archives, tables for researchers, pages.

One film that cannot be exported never stops the others: it becomes a row of `problems.csv`.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from pipeline.contracts import FilmReader, Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.read import read_films
from pipeline.records.export import deidentify, naming, pages, svg, tables
from pipeline.records.export.burnt_in import Box, Finding, burnt_in
from pipeline.records.export.choices import LOOKED_COLUMNS, Choices, boxes_text
from pipeline.records.export.marks import marks_of
from pipeline.records.export.outlines import Outline
from pipeline.records.export.plot import Shot
from pipeline.records.export.presentation import presentation_state
from pipeline.records.export.record import Record, record_of
from pipeline.records.export.report import Identity, measurement_report
from pipeline.records.export.source import is_dicom, open_film
from pipeline.records.files import StopError, write_atomic
from pipeline.records.journal import write_problems
from pipeline.records.overlay import short_name
from pipeline.records.store import StoredReading, open_original
from pipeline.records.table import csv_text

THUMBNAIL = 480
MOST_FRAMES = 12
"""So many frames with writing are laid out for a person; more of one film tell nothing new."""
Outlines = Callable[[Record, Film], tuple[Outline | None, Outline | None]]


@dataclass
class Outcome:
    """What an export left.

    Attributes:
        written: files.
        exported: readings that went out.
        left_out: readings that nobody has accepted.
        waiting: films held back until a person has looked for burnt-in text.
        problems: what went wrong.
    """

    written: list[Path] = field(default_factory=list)
    exported: int = 0
    left_out: int = 0
    waiting: int = 0
    problems: list[Problem] = field(default_factory=list)


@dataclass(frozen=True)
class _Source:
    """One film as it goes out."""

    name: str
    dataset: Dataset | None
    released: bool
    boxes: tuple[Box, ...] = ()


class Exporter:
    """Exports many readings.

    Args:
        out: folder for everything.
        choices: what and how.
        readers: for the pixels of pages and of de-identified films, tried in order.
        key: of the site; replaced identities are digests made with it.
        outlines: gives the outlines of a reading as proposed and as reviewed; None: none drawn.
    """

    def __init__(
        self,
        out: Path,
        choices: Choices,
        readers: Sequence[FilmReader],
        key: bytes,
        outlines: Outlines | None = None,
    ) -> None:
        self.out, self.choices, self.readers, self.key = out, choices, readers, key
        self.outlines = outlines
        self.identity = Identity(choices.organization, key if choices.deidentify else b"")
        self.aside = out.with_name(out.name + "-to-look-at") if choices.deidentify else out
        self.outcome = Outcome()
        self.records: list[Record] = []
        self.shots: dict[str, list[Shot]] = {}
        self.studies: list[dict[str, object]] = []
        self.look: list[dict[str, object]] = []

    @property
    def _hiding(self) -> bytes | None:
        """The key with which names hide what they stand for; None where they tell it."""
        return self.key if self.choices.deidentify else None

    def run(self, readings: Iterable[StoredReading], progress: Progress = silent) -> Outcome:
        """Exports `readings`; problems are gathered, only a full disk raises (`StopError`)."""
        wanted = []
        for stored in readings:
            record = record_of(stored)
            if record.reviewed or self.choices.unreviewed:
                wanted.append((record, stored))
            else:
                self.outcome.left_out += 1
        place = naming.order_of([record for record, _ in wanted], self._hiding)
        wanted.sort(key=lambda pair: place(pair[0]))
        done = 0
        for study, of_study in groupby(wanted, key=lambda pair: naming.study_of(pair[0])):
            sheets: list[pages.Sheet] = []
            for _, of_film in groupby(of_study, key=lambda pair: naming.film_of(pair[0])):
                pairs = list(of_film)
                self._guarded(pairs[0][0], partial(self._film, pairs, sheets))
                done += len(pairs)
                progress(done, len(wanted))
            self._study_page(study, sheets)
        self._finish()
        return self.outcome

    def _guarded(self, record: Record, work: Callable[[], None]) -> None:
        """Does `work`; whatever is wrong with one film becomes a problem."""
        source = str(record.original["film"]["source"])
        try:
            work()
        except StopError:
            raise
        except Problem as problem:
            self.outcome.problems.append(problem)
        except (MemoryError, RecursionError):
            self.outcome.problems.append(Problem(source, "needs too much memory", "shrink it"))
        except Exception as error:  # libraries raise anything on an odd header; no text of theirs
            self.outcome.problems.append(
                Problem(
                    source,
                    f"its header does not fit into an object ({type(error).__name__})",
                    "check the film's header",
                )
            )

    # ---- one film ----

    def _film(
        self, pairs: Sequence[tuple[Record, StoredReading]], sheets: list[pages.Sheet]
    ) -> None:
        path = open_original(pairs[0][1])
        first = pairs[0][0]
        sha256 = first.original["film"]["sha256"]
        original, clean = None, self.choices.deidentify
        if is_dicom(path) and (clean or self.choices.has("report", "presentation", "operators")):
            original = open_film(path, sha256, pixels=clean)
        header = None if original is None else original.get("BurnedInAnnotation")
        pictures, finding = self._pictures(path, pairs, header)
        source = self._source(first, original, pictures, finding)
        for record, _ in pairs:
            drawn = self._outlines(record, pictures)
            shown = record
            if self.choices.deidentify:
                shown = deidentify.clean_record(record, self.key)
            self.records.append(shown)
            self.outcome.exported += 1
            if self.choices.has("report", "presentation"):
                self._guarded(first, partial(self._objects, record, shown, source, drawn))
            if self.choices.has("html"):
                sheets.append(self._sheet(record, shown, source, pictures, drawn))
            if self.choices.has("operators") and shown.reviewed:
                self._note_operator(shown, original)

    def _pictures(
        self, path: Path, pairs: Sequence[tuple[Record, StoredReading]], header: str | None
    ) -> tuple[dict[int | None, Film], Finding | None]:
        """The frames that are shown or must be looked at, and whether any frame holds text."""
        drawn = self.choices.has("presentation") and self.outlines is not None
        if not (self.choices.has("html") or self.choices.deidentify or drawn):
            return {}, None
        wanted = {record.original["film"]["frame"] for record, _ in pairs}
        kept: dict[int | None, Film] = {}
        findings = []
        for film in read_films(path, self.readers):
            found = None
            if self.choices.deidentify:  # any frame may hold text
                found = burnt_in(film.pixels, header)
                findings.append(found)
            written = found is not None and bool(found.boxes) and len(kept) < MOST_FRAMES
            if film.frame in wanted or written:
                kept[film.frame] = film
        return kept, _worst(findings) if self.choices.deidentify else None

    def _outlines(
        self, record: Record, pictures: Mapping[int | None, Film]
    ) -> tuple[Outline | None, Outline | None]:
        film = pictures.get(record.original["film"]["frame"])
        if film is None or self.outlines is None or not self.choices.has("presentation", "html"):
            return None, None
        return self.outlines(record, film)

    def _source(
        self,
        record: Record,
        original: Dataset | None,
        pictures: Mapping[int | None, Film],
        finding: Finding | None,
    ) -> _Source:
        film = record.original["film"]
        objects = self.choices.has("report", "presentation")
        if original is None and objects:
            self._no_dicom(film["source"])
        if finding is None:
            return _Source(short_name(film["source"]), original, True)
        name = deidentify.clean_name(self.key, film["source"], None)
        looked = self.choices.looked_at.get(film["sha256"])
        released = finding.answer == "no" or looked is not None
        boxes = looked.boxes if looked is not None else ()
        if not released:
            self._ask(film, finding, pictures)
        if original is None:
            return _Source(name, None, released, boxes)
        clean = deidentify.clean_film(original, self.key, boxes)
        if objects and released:
            self.outcome.written.append(
                _save(
                    clean,
                    self.out / "dicom" / naming.study_folder(record, self.key) / f"{name}.dcm",
                )
            )
        return _Source(name, clean, released, boxes)

    def _no_dicom(self, source: str) -> None:
        self.outcome.problems.append(
            Problem(
                source,
                "is no DICOM film, so there is no patient and no study to file objects under",
                "its tables and pages are there",
            )
        )

    def _ask(
        self, film: Mapping[str, object], finding: Finding, pictures: Mapping[int | None, Film]
    ) -> None:
        """Holds a film back and lays it out for a person to look at."""
        self.outcome.waiting += 1
        sha256 = str(film["sha256"])
        for frame, each in pictures.items():
            part = "" if frame is None else f"-f{frame}"
            write_atomic(
                self.aside / f"{sha256[:12]}{part}.jpg", _boxed(each.pixels, finding.boxes)
            )
        self.look.append(
            dict(
                zip(
                    LOOKED_COLUMNS,
                    (film["source"], sha256, finding.answer, finding.why,
                     boxes_text(finding.boxes), ""),
                    strict=True,
                )
            )
        )  # fmt: skip

    def _objects(
        self,
        record: Record,
        shown: Record,
        source: _Source,
        outlines: tuple[Outline | None, Outline | None],
    ) -> None:
        if source.dataset is None:
            return
        folder = self.out / "dicom" / naming.study_folder(record, self._hiding)
        stem = naming.stem(record, source.name if self.choices.deidentify else None)
        if self.choices.has("report"):
            report = measurement_report(shown, source.dataset, self.identity)
            self._write_object(report, folder / f"{stem}-report.dcm", graphics=False)
        if self.choices.has("presentation"):
            proposed, reviewed = outlines
            state = presentation_state(
                shown,
                source.dataset,
                self.identity,
                proposed_outline=proposed,
                reviewed_outline=reviewed,
            )
            self._write_object(state, folder / f"{stem}-state.dcm", graphics=True)

    def _write_object(self, made: Dataset, path: Path, *, graphics: bool) -> None:
        if self.choices.deidentify:
            deidentify.mark_clean(made, graphics=graphics)
        self.outcome.written.append(_save(made, path))

    # ---- pages ----

    def _sheet(
        self,
        record: Record,
        shown: Record,
        source: _Source,
        pictures: Mapping[int | None, Film],
        outlines: tuple[Outline | None, Outline | None],
    ) -> pages.Sheet:
        film = pictures.get(record.original["film"]["frame"])
        picture = thumbnail = held_back = ""
        if film is not None and source.released:
            pixels = _blackened(film.pixels, source.boxes)
            marks = marks_of(shown.current, outlines[1 if record.reviewed else 0])
            words = f"{source.name} with the marks of the reading"
            picture = svg.picture(pixels, marks, words)
            thumbnail = svg.picture(pixels, marks, words, longest=THUMBNAIL)
        elif not source.released:
            held_back = "The picture is held back until a person has looked for burnt-in text."
        name = source.name
        if film is not None and film.frame is not None:
            name += f", frame {film.frame}"
        stem = naming.stem(record, source.name if self.choices.deidentify else None)
        taken = (
            "" if film is None or self.choices.deidentify else naming.taken(film.header.acquired)
        )
        sheet = pages.Sheet(shown, name, f"{stem}.html", taken, picture, thumbnail, held_back)
        page = pages.film_page(sheet, f"{naming.study_folder(record, self._hiding)}.html")
        path = self.out / "pages" / sheet.file
        write_atomic(path, page)
        self.outcome.written.append(path)
        return sheet

    def _study_page(self, study: str, sheets: Sequence[pages.Sheet]) -> None:
        if not sheets:
            return
        file = f"{naming.folder(study, self._hiding)}.html"
        title = f"Study {len(self.studies) + 1}"
        path = self.out / "pages" / file
        write_atomic(path, pages.study_page(title, sheets))
        self.outcome.written.append(path)
        lines = [pages.line_of(sheet) for sheet in sheets]
        self.studies.append({"title": title, "file": file, "lines": lines})

    def _note_operator(self, shown: Record, film: Dataset | None) -> None:
        name, when = "not stated", ""
        if film is not None:
            name = str(film.get("OperatorsName") or name)
            when = str(film.get("AcquisitionDate") or film.get("StudyDate") or "")
            when += str(film.get("AcquisitionTime") or film.get("StudyTime") or "")
        alignment = shown.current["alignment"] or {}
        shot = Shot(
            when, alignment.get("rotation_deg"), alignment.get("tilt_deg"), alignment.get("square")
        )
        if self.choices.deidentify and name != "not stated":
            name = f"operator-{deidentify.digest(self.key, 'operator', name)}"
        self.shots.setdefault(name, []).append(shot)

    # ---- the end ----

    def _finish(self) -> None:
        outcome, choices = self.outcome, self.choices
        if choices.has("tables"):
            outcome.written += tables.write_tables(self.out / "tables", self.records)
        if choices.has("coco"):
            path = self.out / "tables" / "coco.json"
            tables.write_coco(path, self.records)
            outcome.written.append(path)
        if choices.has("html"):
            path = self.out / "pages" / "index.html"
            write_atomic(path, pages.index_page(self.studies, outcome.left_out))
            outcome.written.append(path)
        if choices.has("operators"):
            shots = {
                name: [_undated(s) if choices.deidentify else s for s in _ordered(each)]
                for name, each in self.shots.items()
            }
            path = self.out / "pages" / "operators.html"
            write_atomic(path, pages.operators_page(shots, choices.tolerance_deg))
            outcome.written.append(path)
        if self.look:
            write_atomic(self.aside / "burnt_in.csv", csv_text(LOOKED_COLUMNS, self.look))
        write_problems(self.aside / "problems.csv", outcome.problems)


def _worst(findings: Sequence[Finding]) -> Finding:
    """The answer for a file of several frames: the most careful one, boxes of all."""
    order = {"no": 0, "ask": 1, "yes": 2}
    if not findings:
        return Finding("ask", "it could not be looked at")
    worst = max(findings, key=lambda finding: order[finding.answer])
    boxes = tuple(dict.fromkeys(box for finding in findings for box in finding.boxes))
    return Finding(worst.answer, worst.why, boxes)


def _blackened(pixels: NDArray[np.float32], boxes: Sequence[Box]) -> NDArray[np.float32]:
    if not boxes:
        return pixels
    pixels = pixels.copy()
    for x0, y0, x1, y1 in boxes:
        pixels[max(y0, 0) : y1, max(x0, 0) : x1] = 0
    return pixels


def _boxed(pixels: NDArray[np.float32], boxes: Sequence[Box]) -> bytes:
    """The whole film as JPEG, with a box around what looks like writing."""
    marked = np.asarray(pixels).copy()
    width = max(1, max(pixels.shape) // 700)
    for x0, y0, x1, y1 in boxes:
        cv2.rectangle(marked, (x0 - width, y0 - width), (x1 + width, y1 + width), 1.0, width)
    return svg.film_jpeg(marked, 2000)


def _ordered(shots: Sequence[Shot]) -> list[Shot]:
    return sorted(shots, key=lambda shot: shot.when)


def _undated(shot: Shot) -> Shot:
    return Shot("", shot.rotation, shot.tilt, shot.square)


def _save(made: Dataset, path: Path) -> Path:
    """Writes a DICOM file as a whole."""
    buffer = io.BytesIO()
    made.save_as(buffer, enforce_file_format=True)
    write_atomic(path, buffer.getvalue())
    return path

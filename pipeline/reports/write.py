"""Writes all reports of a store. One film that cannot be shown never stops the others."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import groupby
from pathlib import Path

from pipeline.contracts import FilmReader, Progress, silent
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.language import speech
from pipeline.readers.dicom_shot import Shot, read_shot
from pipeline.readers.read import read_films
from pipeline.records.export import naming
from pipeline.records.export.outlines import FittedOutlines
from pipeline.records.export.record import Record, record_of
from pipeline.records.files import StopError
from pipeline.records.journal import write_problems
from pipeline.records.overlay import short_name
from pipeline.records.paper import Paper, write_html, write_pdf
from pipeline.records.store import Filter, Store, StoredReading, open_original
from pipeline.records.store.find import Found, find
from pipeline.reports.choices import Choices
from pipeline.reports.done import Done, digest_of
from pipeline.reports.facts import Fact, in_time
from pipeline.reports.film import Seen, film_paper
from pipeline.reports.groups import (
    grouped,
    operator_paper,
    overview_paper,
    period_name,
    period_paper,
)
from pipeline.reports.picture import pictures
from pipeline.reports.series import series
from pipeline.reports.study import study_paper


@dataclass
class Outcome:
    """What was written.

    Attributes:
        written: files.
        reports: papers, each in one or two files.
        readings: that reports tell about.
        left_out: readings that nobody has accepted.
        problems: what went wrong.
    """

    written: list[Path] = field(default_factory=list)
    reports: int = 0
    readings: int = 0
    left_out: int = 0
    problems: list[Problem] = field(default_factory=list)


class Reporter:
    """Writes reports into a folder; studies whose reports are there already are not done again.

    Args:
        out: the folder.
        choices: which reports, and how.
        readers: of films, tried in order.
        outlines: fits the outline that is drawn; None for none.
    """

    def __init__(
        self,
        out: Path,
        choices: Choices,
        readers: Sequence[FilmReader],
        outlines: FittedOutlines | None = None,
    ) -> None:
        self.out, self.choices, self.readers = out, choices, readers
        self.outlines = outlines
        self.t = speech(choices.language)
        self.outcome, self.done = Outcome(), Done(out)
        self.facts: list[Fact] = []
        self.studies: list[tuple[str, str, list[Fact]]] = []
        self.invented = False

    def run(self, store: Store, progress: Progress = silent) -> Outcome:
        """Writes everything; problems are gathered, only a full disk raises (`StopError`)."""
        wanted = self._wanted(store)
        rows = [row for row in store.readings(order="source") if row.id in wanted]
        order: dict[str, tuple[str, str]] = {}
        for row in rows:
            study, day = row.study or row.source, wanted[row.id].day or "~"
            order[study] = min(order.get(study, ("~~", "")), (day, row.source))
        rows.sort(key=lambda row: (*order[row.study or row.source], row.study or "", row.source))
        done = 0
        for _, members in groupby(rows, key=lambda row: row.study or row.source):
            stored = [store.reading(row.id) for row in members]
            self._study(stored, wanted)
            done += len(stored)
            progress(done, len(rows))
        self._groups()
        self._finish()
        return self.outcome

    def _wanted(self, store: Store) -> dict[int, Found]:
        """Readings to tell about, by number: of several of one knee the last."""
        choices = self.choices
        asked = Filter(
            since=choices.since, until=choices.until, operator=choices.operator, latest=True
        )
        found = {row.reading: row for row in find(store, asked)}
        if choices.unreviewed:
            return found
        kept = {id: row for id, row in found.items() if row.state in ("accepted", "changed")}
        self.outcome.left_out = len(found) - len(kept)
        return kept

    # ---- one study -----------------------------------------------------------------------------

    def _study(self, stored: Sequence[StoredReading], wanted: Mapping[int, Found]) -> None:
        facts: list[Fact] = []
        shots: dict[int, Shot] = {}
        places: dict[str, Path | None] = {}
        troubles = len(self.outcome.problems)
        for one in stored:
            if one.film_sha256 not in places:
                places[one.film_sha256] = self._place(one)
            path, record = places[one.film_sha256], record_of(one)
            shot = Shot() if path is None else read_shot(path, record.original["film"]["frame"])
            shots[record.number] = shot
            facts.append(self._fact(record, wanted[one.id], shot.acquired or ""))
        facts.sort(key=in_time)
        invented = any(shot.invented for shot in shots.values())
        self.invented = self.invented or invented
        stem = naming.study_folder(facts[0].record, None)
        title = self._title(facts[0])
        digest = digest_of(title, facts, self.choices, self.outlines is not None)
        written = self.done.files(stem, digest)
        if written is None:
            before = len(self.outcome.written)
            self._study_papers(stem, title, facts, shots, places, invented)
            if len(self.outcome.problems) == troubles:
                self.done.note(stem, digest, self.outcome.written[before:])
        else:
            self.outcome.written += written
            self.outcome.reports += len({path.stem for path in written})
        slim = [_slim(fact) for fact in facts]
        self.facts += slim
        file = f"{stem}.html" if "study" in self.choices.what else ""
        self.studies.append((title, file, slim))
        self.outcome.readings += len(facts)

    def _title(self, first: Fact) -> str:
        title = self.t("Study {n}", n=len(self.studies) + 1)
        if self.choices.names == "path":
            title += f" \u00b7 {Path(short_name(first.reading['film']['source'])).parent}"
        return title

    def _study_papers(
        self,
        stem: str,
        title: str,
        facts: Sequence[Fact],
        shots: Mapping[int, Shot],
        places: Mapping[str, Path | None],
        invented: bool,
    ) -> None:
        """The reports of one study and of its films."""
        what, align = self.choices.what, self.choices.align
        if not {"film", "study"}.intersection(what):
            return
        seen: dict[int, Seen] = {}
        for sha256, members in groupby(facts, key=lambda f: f.record.original["film"]["sha256"]):
            of_film = list(members)
            films = self._films(places[sha256], of_film)
            seen |= {fact.record.number: self._seen(fact.record, films) for fact in of_film}
        if "film" in what:
            file = f"{stem}.html" if "study" in what else ""
            for fact in facts:
                shown = seen[fact.record.number]
                made = film_paper(self.t, fact, shown, file, align.tolerance_deg, invented)
                self._write(made, fact.stem)
        if "study" in what:
            extra = series(self.t, facts, shots, align)
            self._write(study_paper(self.t, title, facts, seen, invented, extra), stem)

    def _place(self, stored: StoredReading) -> Path | None:
        """Where the film lies; None, and a problem, where it does not."""
        try:
            return open_original(stored)
        except Problem as problem:
            self.outcome.problems.append(problem)
            return None

    def _films(self, path: Path | None, facts: Sequence[Fact]) -> dict[int | None, Film]:
        """The frames that readings are of, decoded."""
        wanted = {fact.record.original["film"]["frame"] for fact in facts}
        found: dict[int | None, Film] = {}
        if path is None:
            return found
        try:
            for film in read_films(path, self.readers):
                if film.frame in wanted:
                    found[film.frame] = film
                if len(found) == len(wanted):
                    break
        except Problem as problem:
            self.outcome.problems.append(problem)
        return found

    def _fact(self, record: Record, found: Found, acquired: str) -> Fact:
        film = record.original["film"]
        path = self.choices.names == "path"
        name = short_name(film["source"]) if path else found.film
        if film["frame"] is not None:
            name = self.t("{film}, frame {n}", film=name, n=film["frame"])
        stem = f"film-{naming.stem(record, None)}" if path else naming.stem(record, found.film)
        return Fact(
            record=record,
            name=name,
            stem=stem if "film" in self.choices.what else "",
            study=naming.study_of(record),
            operator=found.operator or "",
            station=found.station or "",
            day=None if found.day is None else date.fromisoformat(found.day),
            acquired=acquired,
        )

    def _seen(self, record: Record, films: Mapping[int | None, Film]) -> Seen:
        film = films.get(record.original["film"]["frame"])
        if film is None:
            why = self.t("No picture: the original film is gone, changed or cannot be read.")
            return Seen(None, why=why)
        reading = record.current
        outline = None if self.outlines is None else self.outlines.of(reading, film)
        return Seen(*pictures(self.t, film, reading, outline))

    # ---- all films -----------------------------------------------------------------------------

    def _groups(self) -> None:
        t, choices = self.t, self.choices
        operators: dict[str, tuple[str, int]] = {}
        periods: dict[str, tuple[str, int]] = {}
        if "operator" in choices.what:
            by_code: dict[str, list[Fact]] = {}
            for fact in self.facts:
                by_code.setdefault(fact.operator, []).append(fact)
            stems = _stems("operator", by_code)
            for code, facts in sorted(by_code.items(), key=lambda item: item[0] or "~"):
                made = operator_paper(
                    t, code, facts, choices.period, choices.align.tolerance_deg, self.invented
                )
                self._write(made, stems[code])
                operators[code or t("not stated")] = f"{stems[code]}.html", len(facts)
        if "period" in choices.what:
            for period, facts in grouped(self.facts, choices.period).items():
                made = period_paper(t, period, facts, choices.align.tolerance_deg, self.invented)
                stem = f"period-{period or 'unknown'}"
                self._write(made, stem)
                periods[period_name(t, period)] = f"{stem}.html", len(facts)
        self._write(
            overview_paper(
                t,
                self.studies,
                operators,
                periods,
                self.facts,
                length=choices.period,
                left_out=self.outcome.left_out,
                invented=self.invented,
            ),
            "index",
        )

    def _write(self, paper: Paper, stem: str) -> None:
        writers = {"html": write_html, "pdf": write_pdf}
        for kind in self.choices.formats:
            path = self.out / f"{stem}.{kind}"
            try:
                writers[kind](paper, path)
            except StopError:
                raise
            except Problem as problem:
                self.outcome.problems.append(problem)
            else:
                self.outcome.written.append(path)
        self.outcome.reports += 1

    def _finish(self) -> None:
        write_problems(self.out / "problems.csv", self.outcome.problems)


def _slim(fact: Fact) -> Fact:
    """The fact without what only its own report tells: many are held until the end."""
    reading = fact.record.current
    alignment = reading["alignment"]
    kept = {
        "view": reading["view"],
        "side": reading["side"],
        "alignment": alignment
        and {
            name: alignment[name]
            for name in ("square", "rotation_deg", "rotation_90", "tilt_deg", "tilt_90")
        },
    }
    made = {"made_by": fact.record.original["made_by"]}
    return replace(fact, record=replace(fact.record, original=made, current=kept))


def _stems(kind: str, codes: Iterable[str]) -> dict[str, str]:
    """Code to file name, readable and never the same for two."""
    found: dict[str, str] = {}
    for code in codes:
        plain = re.sub(r"[^A-Za-z0-9]+", "-", code).strip("-").lower() or "unknown"
        stem, number = f"{kind}-{plain}", 2
        while stem in found.values():
            stem, number = f"{kind}-{plain}-{number}", number + 1
        found[code] = stem
    return found

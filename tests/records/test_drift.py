"""Drift pages: what was planted is found, what is missing is said, the page is whole."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from catalogue_words import plain_words, words_drawn
from invented_archive import film
from review_browser import chromium
from store_cases import KEY, reading_row

from pipeline.cli import main
from pipeline.knee.acquisition import CAUSES, Acquisition
from pipeline.knee.errors import Problem
from pipeline.language import speech
from pipeline.language.speech import ACCENTED
from pipeline.records.quality.control import RULES, cusum
from pipeline.records.quality.drift import (
    LEAST_POINTS,
    SHARE,
    Course,
    Drift,
    How,
    drift,
    expected_to_speak,
)
from pipeline.records.quality.films import NO, Films, gather, spells
from pipeline.records.quality.invented import HEADERS, Shot, Year, fill_invented, is_invented, shots
from pipeline.records.quality.invented import reading_row as row_of
from pipeline.records.quality.learning import learn_means
from pipeline.records.quality.rejects import READ_AS as READ
from pipeline.records.quality.rejects import operators, rejects
from pipeline.records.quality.words import ASKED, CAUSE_WORDS, READ_AS, STATE_WORDS, asked
from pipeline.records.quality.write import write_drift
from pipeline.records.rows import SUMMARY_COLUMNS, summary_row
from pipeline.records.store import Acquisitions, Filter, Found, Store, find
from pipeline.records.store.model import STATES

YEAR = Year()


def found_of(shot: Shot) -> Found:
    """What `find` gives of an invented film, without a store."""
    made = shot.made
    assert made.day is not None
    return Found(
        shot.number + 1,
        f"film-{shot.number:012x}",
        None,
        0,
        made.day.isoformat(),
        made.operator,
        made.station,
        made.modality,
        made.body_part,
        made.reject,
        shot.view,
        shot.side,
        shot.verdict,
        shot.probability,
        shot.rotation,
        shot.tilt,
        4.3,
        "proposed",
        None,
        "invented",
    )


def films_of(year: Year) -> Films:
    return gather(sorted(map(found_of, shots(year)), key=lambda one: one.day or ""))


def drift_of(year: Year, how: How = How(), every: str = "week") -> Drift:  # noqa: B008 - frozen
    films = films_of(year)
    return drift(films, spells(films, every), how)


def test_the_planted_drift_is_found_where_it_is() -> None:
    found = drift_of(YEAR)
    by_name = {course.measure.name: course for course in found.courses}
    course = by_name["AP rotation"]
    assert course.sums is not None
    signal = course.sums.signals[0]
    assert YEAR.drift_week <= signal.at <= YEAR.drift_week + 6
    assert abs(signal.since - YEAR.drift_week) <= 2
    assert signal.side == -1  # outward, as it was planted
    assert by_name["not square"].signals
    assert found.spells.first[YEAR.drift_week] == date(2025, 8, 4)


def test_how_often_charts_are_right() -> None:
    """Invented years with the drift and without: delays, false alarms (more in the bench)."""
    late, early, quiet = [], 0, 0
    for seed in range(100, 106):
        for year in (replace(YEAR, seed=seed), replace(YEAR, seed=seed, drift_deg=0.0)):
            sums = drift_of(year).courses[1].sums
            assert sums is not None
            beyond = np.flatnonzero(np.maximum(sums.high, sums.low) > sums.h)
            if year.drift_deg:
                early += bool((beyond < year.drift_week).any())
                late.append(int(beyond[beyond >= year.drift_week][0]) - year.drift_week)
            else:
                quiet += not len(beyond)
    # Two degrees are some 2.7 standard deviations of the mean of a week's films.
    assert np.median(late) <= 3
    assert max(late) <= 8
    assert early <= 2
    assert quiet >= 3


def test_a_quiet_year_expects_what_it_says() -> None:
    found = drift_of(replace(YEAR, drift_deg=0.0))
    points = np.array([np.isfinite(course.values).sum() for course in found.courses])
    judged = points - LEAST_POINTS
    silent = np.exp(-judged / 370.4) + np.exp(-judged / 465)
    assert found.false_alarms == pytest.approx((2 - silent).sum(), rel=0.01)


def test_as_many_charts_of_normal_points_speak_as_the_page_expects() -> None:
    """Levels learnt, nothing changes: charts that speak, of Shewhart and CUSUM together."""
    rng = np.random.default_rng(1)
    points, count, spoke = 36, 600, 0
    for _ in range(count):
        chart, _learnt = learn_means(rng.normal(size=points), RULES[:1], LEAST_POINTS, 0.5, 5.0)
        spoke += bool(chart.signals) + bool(cusum(chart.z).signals)
    plain = Course(SHARE, np.zeros(0, int), np.zeros(0), shewhart=chart)
    expected = expected_to_speak([plain], How())
    assert spoke / count == pytest.approx(expected, abs=4 * (expected / count) ** 0.5)
    assert 0.1 < expected < 0.2


def test_stretches_of_time() -> None:
    films = films_of(YEAR)
    weeks, months = spells(films, "week"), spells(films, "month")
    assert spells(films).name == "week"
    assert len(weeks) == 52
    assert all(day.weekday() == 0 for day in weeks.first)
    assert months.label(0) == "2025-01"
    for one in (weeks, months):
        for index, day in enumerate(films.day):
            first, last = one.first[one.of[index]], one.last[one.of[index]]
            assert first.toordinal() <= day <= last.toordinal()
        for last, first in zip(one.last, one.first[1:], strict=False):
            assert first.toordinal() == last.toordinal() + 1
    hundred = spells(films, "100")
    assert set(np.bincount(hundred.of[hundred.of >= 0])) == {100}
    few = films_of(Year(studies=1.0))
    assert spells(few).name == "month"
    for every in ("day", "0", "-3", "999999"):
        with pytest.raises(Problem, match="every="):
            spells(films, every)


def test_weeks_without_films_are_no_points() -> None:
    shown = [found_of(one) for one in shots(YEAR) if one.week not in (5, 40)]
    films = gather(sorted(shown, key=lambda one: one.day or ""))
    found = drift(films, spells(films, "week"), How())
    assert len(found.spells) == 52
    for course in found.courses:
        assert np.flatnonzero(np.isnan(course.values)).tolist() == [5, 40]
        assert course.sums is not None
        assert course.sums.high[5] == course.sums.high[4]


@pytest.mark.parametrize(
    ("year", "why"),
    [
        (Year(weeks=8), "there are 8 points, and 9 are the least"),
        (Year(studies=1.0), "no stretch holds 5 such readings"),
    ],
)
def test_with_too_little_there_is_no_chart(year: Year, why: str) -> None:
    course = drift_of(year).courses[1]
    assert str(course.why) == why
    assert course.signals == ()
    assert course.shewhart is None


def test_all_alike_is_no_chart() -> None:
    films = films_of(replace(YEAR, weeks=12))
    none = replace(films, verdict=np.full(len(films), NO), rotation=np.zeros(len(films)))
    found = drift(none, spells(none, "week"), How())
    assert [course.why is not None for course in found.courses] == [False, True, False, True, False]
    named = drift(none, spells(none, "week"), How(baseline=(None, None)))
    assert [course.why is not None for course in named.courses] == [True, True, False, True, False]
    assert not any(course.signals for course in (found.courses[0], *named.courses[:2]))


def test_a_baseline_may_be_named() -> None:
    later = How(baseline=(date(2025, 9, 1), None))
    found = drift_of(YEAR, later)
    assert found.base.sum() == 18
    assert found.base[-1]
    course = found.courses[1]
    assert course.level is not None
    assert course.level.mean == pytest.approx(-3.0, abs=0.8)  # the drift counts as unchanged
    with pytest.raises(Problem, match="run rule"):
        How(rules=("nine",))
    with pytest.raises(Problem, match="not above 0"):
        How(h=0.0)


def test_shares_that_vary_more_than_chance_are_judged_more_gently() -> None:
    rng = np.random.default_rng(5)
    films = films_of(replace(YEAR, drift_deg=0.0))
    cut = spells(films, "week")
    odds = np.clip(rng.normal(0.3, 0.15, len(cut)), 0.02, 0.9)  # from week to week
    rough = replace(films, verdict=(rng.random(len(films)) >= odds[cut.of]).astype(int))
    course = drift(rough, cut, How()).courses[0]
    assert course.measure is SHARE
    assert course.spread > 1.5
    assert course.shewhart is not None
    assert len(course.shewhart.signals) <= 2
    smooth = replace(films, verdict=(rng.random(len(films)) >= 0.3).astype(int))
    assert drift(smooth, cut, How()).courses[0].spread == 1.0


def test_rejects_by_cause_and_month() -> None:
    films = films_of(YEAR)
    counted = rejects(films)
    made = list(shots(YEAR))
    assert sum(month.films for month in counted.months) == len(made)
    for cause, read in counted.causes.items():
        assert sum(read.values()) == sum(one.made.reject == cause for one in made)
    march = next(month for month in counted.months if month.label == "2025-03")
    mine = [one for one in made if one.made.day and one.made.day.month == 3]
    assert march.rejected == sum(one.made.reject is not None for one in mine)
    assert march.not_square == sum(one.verdict == "no" for one in mine)
    assert march.low < march.rejected / march.films < march.high
    assert [one.code for one in operators(films)] == ["A1", "B2", "C3", "D4"]


def test_a_film_with_two_knees_is_rejected_once(tmp_path: Path) -> None:
    with Store.open(str(tmp_path / "store.sqlite"), KEY) as store:
        rows = [reading_row(0), reading_row(0, knee=1), reading_row(1)]
        store.add_readings(rows)
        made = Acquisition(day=date(2026, 1, 5), reject="motion")
        Acquisitions(store).note({row["film"]["sha256"]: made for row in rows[:2]})
        films = gather(find(store, Filter()))
    (month,) = rejects(films).months
    assert (month.films, month.rejected, month.readings) == (1, 1, 2)
    assert films.undated == 1


def test_invented_readings_are_readings() -> None:
    row = row_of(next(shots(YEAR)))
    assert set(summary_row(row)) == set(SUMMARY_COLUMNS)
    assert "invented" in row["cautions"][0]


@pytest.mark.parametrize("comment", ["INVENTED: nobody was X-rayed", ""])
def test_invented_films_are_known_by_their_headers(tmp_path: Path, comment: str) -> None:
    """A store of films that were made up says so on the page, with no tag in it."""
    rows = []
    for number in range(250):
        path = tmp_path / f"{number}.dcm"
        own = {"ImageComments": comment} if number >= 200 else {}
        film(1, 1, number, PatientID="4711", **own).save_as(path, enforce_file_format=True)
        rows.append(reading_row(number, tmp_path))
    with Store.open(str(tmp_path / "store.sqlite"), KEY) as store:
        store.add_readings(rows)
        looked_at = Acquisitions(store).films(about=HEADERS)
        assert HEADERS <= len(looked_at) < 250
        assert is_invented(store) == bool(comment)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small invented store and its page."""
    out = tmp_path_factory.mktemp("drift")
    with Store.open(str(out / "store.sqlite")) as store:
        fill_invented(store, Year(weeks=26, studies=12.0, drift_week=16))
        assert store.verify() == []
    words = ["drift", "--invented", "--out", str(out), "operators=true", "rules=[beyond,range]"]
    assert main(words) == 0
    return out


def test_the_page_says_what_it_must(made: Path) -> None:
    text = (made / "drift.html").read_text(encoding="utf-8")
    for words in (
        "INVENTED DATA",
        "NOT FOR GUIDANCE",
        "Licensed practice and local rules come first",
        "never for judging a person",
        "never why",
        "e-Handbook",
        "learnt from, until a CUSUM speaks",
    ):
        assert words in text
    assert not re.search(r"repeat the (film|exposure)|take (it|the film) again", text)
    assert (made / "drift.pdf").read_bytes().startswith(b"%PDF-")
    with open(made / "drift.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 5 * 26
    spoke = [row for row in rows if row["signals"]]
    assert any(row["measure"] == "AP rotation" and "cusum" in row["signals"] for row in spoke)
    assert {row["notice"] for row in rows} == {"proposal for human review, not for guidance"}


def draw(made: Path, out: Path, language: str, *, rules: tuple[str, ...] = ("beyond",)) -> str:
    """The page of the invented store in a language."""
    with Store.open(str(made / "store.sqlite")) as store:
        how = How(rules=rules)
        asked_for = Filter(verdict=("yes", "no", ""), since=date(2025, 1, 1))
        write_drift(store, asked_for, how, out, every="month", operators=True, language=language)
    return (out / "drift.html").read_text("utf-8")


def test_in_german_everything_is_german(made: Path, tmp_path: Path) -> None:
    words = ["drift", str(made / "store.sqlite"), "--out", str(tmp_path), "language=de"]
    assert main(words) == 0
    text = (tmp_path / "drift.html").read_text("utf-8")
    for said in (
        '<html lang="de">',
        "Regelkarten schlagen",
        "Rotation auf a.-p.-Aufnahmen, Mittelwert",
        "Ein Punkt für jede Woche",
        "(k = 0,5)",
        "Bewegung",
        "NICHT ZUR STEUERUNG VON EINGRIFFEN",
    ):
        assert said in text
    # the table is for programs: its names are the same in every language
    assert (tmp_path / "drift.csv").read_text().splitlines()[0].startswith("measure,first_day")


def test_no_word_goes_round_the_catalogue(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In English with accents nothing plain is left but names."""
    drawn = words_drawn(monkeypatch, "pipeline.records.quality.plots.picture")
    page = draw(made, tmp_path, ACCENTED, rules=("beyond", "two", "four", "eight", "range"))
    body = re.sub(r"<(style|svg)\b.*?</\1>|<[^>]+>|&\w+;", " ", page, flags=re.DOTALL)
    names = r"squareon|CUSUM|\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\w*"
    assert len(drawn) > 50
    for text in (body, " ".join(drawn)):
        assert plain_words(re.sub(names, " ", text)) == []


def test_every_name_has_its_words() -> None:
    assert set(CAUSE_WORDS) == set(CAUSES)
    assert set(READ_AS) == set(READ.values())
    assert set(STATE_WORDS) == set(STATES)
    unsaid = {"latest", "study", "search", "waiting_for"}
    assert set(ASKED) == set(vars(Filter())) - unsaid
    told = asked(speech("de"), Filter(side=("left", ""), reject=("motion",), operator=("A1",)))
    assert (
        told == "Seite: links, nicht bekannt, nach Kürzel der Aufnehmenden gewählt, "
        "verworfen wegen: Bewegung"
    )
    assert asked(speech("en"), Filter()) == "all readings"


def test_the_document_can_be_read(made: Path) -> None:
    import pypdf

    document = pypdf.PdfReader(made / "drift.pdf")
    text = " ".join(page.extract_text() for page in document.pages)
    for words in ("Positioning over time", "Rejected films", "Months", "NOT FOR GUIDANCE"):
        assert words in text


def test_the_page_is_accessible(made: Path) -> None:
    from axe_playwright_python.sync_playwright import Axe

    with chromium() as browser:
        for width, height, scheme in ((1366, 768, "light"), (3840, 2160, "dark")):
            page = browser.new_page(
                viewport={"width": width, "height": height}, color_scheme=scheme
            )
            page.goto((made / "drift.html").as_uri())
            assert Axe().run(page).response["violations"] == []
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width
            page.close()


def test_the_command_says_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = ["--out", str(tmp_path / "out")]
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        store.add_reading(reading_row())
    for words, says in (
        (["drift", *out], "needs a store, or --invented"),
        (["drift", str(tmp_path), "--invented", *out], "needs a store, or --invented"),
        (["drift", str(tmp_path / "store.sqlite"), *out], "holds no reading with a day"),
        (["drift", str(tmp_path / "store.sqlite"), *out, "every=year"], "holds no reading"),
        (["drift", str(tmp_path / "store.sqlite"), *out, "baseline=soon"], "is no period"),
        (["drift", str(tmp_path / "store.sqlite"), *out, "rules=[nine]"], "is no run rule"),
    ):
        assert main(words) == 2
        assert says in capsys.readouterr().err
    assert not (tmp_path / "out" / "drift.html").exists()

"""Reports say what the store holds, nothing else, in every language and in both forms."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from babel.dates import get_month_names
from catalogue_words import plain_words, words_drawn
from report_cases import KEY, READ, REVIEWER, film, report, row, small_store
from statsmodels.stats.proportion import proportion_confint

from pipeline.cli import main
from pipeline.knee.errors import Problem
from pipeline.language.speech import ACCENTED
from pipeline.records.overlay import short_name
from pipeline.records.share import wilson
from pipeline.records.store import Store, open_store
from pipeline.reports.choices import Choices, day_of

MONTHS = [get_month_names("wide", locale="en")[n] for n in range(1, 13)]
SHORT = [get_month_names("abbreviated", locale="en")[n] for n in range(1, 13)]
CAUTION = "PROPOSAL FOR HUMAN REVIEW - NOT FOR GUIDANCE"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_store(tmp_path_factory.mktemp("reports"))


@pytest.fixture(scope="module")
def all_of_it(place: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("all") / "out"
    outcome = report(place, out, unreviewed=True)
    assert not outcome.problems
    return out


def pages(out: Path, kind: str, beginning: str = "") -> dict[str, str]:
    """Name to words of the files of one kind."""
    return {
        path.stem: READ[kind](path)
        for path in sorted(out.glob(f"*.{kind}"))
        if path.stem.startswith(beginning)
    }


def current(place: Path) -> dict[str, tuple[Mapping[str, Any], str]]:
    """File name of a film to its reading as it stands, and its state."""
    with open_store(str(place), KEY) as store:
        found = {}
        for row in store.readings():
            stored = store.reading(row.id)
            shown = stored.original if stored.state == "rejected" else stored.current
            found[Path(row.source).name] = (shown, stored.state)
        return found


def film_of(text: str, place: Path) -> str:
    return next(name for name in current(place) if f"films/{name}" in text)


def test_each_kind_of_report_is_written_in_both_forms(all_of_it: Path) -> None:
    for kind in ("html", "pdf"):
        stems = [path.stem.split("-")[0] for path in all_of_it.glob(f"*.{kind}")]
        assert Counter(stems) == {"film": 6, "study": 2, "operator": 2, "period": 3, "index": 1}


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_every_report_carries_the_caution_and_that_data_are_invented(
    all_of_it: Path, kind: str
) -> None:
    for name, text in pages(all_of_it, kind).items():
        assert CAUTION in text, name
        assert "INVENTED DATA" in text, name
        assert "Not for guidance of any procedure" in text, name


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_angles_verdict_and_reasons_are_those_of_the_store(
    all_of_it: Path, place: Path, kind: str
) -> None:
    readings = current(place)
    for text in pages(all_of_it, kind, "film-").values():
        reading, _ = readings[film_of(text, place)]
        alignment = reading["alignment"]
        if alignment is None:
            assert "Not read: no knee was found on the film." in text
            continue
        verdict = {"yes": "Square on", "no": "Not square on", "cannot tell": "Cannot tell"}
        assert verdict[alignment["square"]] in text
        for name in ("rotation", "tilt"):
            low, high = alignment[f"{name}_90"]
            span = f"{signed(alignment[f'{name}_deg'])} {signed(low)} to {signed(high)}"
            assert span in text, (name, span)
        assert "+3.0 mm at the knee" in text
        assert "Turn the front end of the beam toward medial by about 11 degrees" in text


def signed(value: float) -> str:
    text = f"{abs(value):.1f}"
    return f"{'' if float(text) == 0 else '−' if value < 0 else '+'}{text}°"


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_every_number_of_a_film_is_found_in_its_reading(
    all_of_it: Path, place: Path, kind: str
) -> None:
    readings = current(place)
    for text in pages(all_of_it, kind, "film-").values():
        name = film_of(text, place)
        reading, _ = readings[name]
        known = numbers_of(reading) | numbers_of(
            {
                "of the page": [name, "90 %", "page 1 of 1", "page 2 of 2", "tolerance 5"],
                "when": ["Mar 4, 2026", "Feb 4, 2026", "Apr 4, 2026"],
            }
        )
        said = re.sub(r"operator op-\w+|settings \w+\.", "", text)
        said = re.sub(rf"by {REVIEWER}, \w+ \d+, \d{{4}} \d\d:\d\d", "", said)
        for number in re.findall(r"\d+(?:\.\d+)?", said):
            assert number in known, (name, number)
    assert "33.3" not in known


def numbers_of(value: Any) -> set[str]:
    """Every number in a reading, at the roundings that reports use; numbers in its sentences."""
    if isinstance(value, bool) or value is None:
        return set()
    if isinstance(value, int | float):
        return {f"{abs(value):.{digits}f}" for digits in (0, 1, 2, 3)}
    if isinstance(value, str):
        return set(re.findall(r"\d+(?:\.\d+)?", value))
    items = value.values() if isinstance(value, Mapping) else value
    return set().union(*(numbers_of(item) for item in items))


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_what_nobody_accepted_says_so(all_of_it: Path, place: Path, kind: str) -> None:
    readings = current(place)
    for text in pages(all_of_it, kind, "film-").values():
        _, state = readings[film_of(text, place)]
        assert ("UNREVIEWED" in text) == (state not in ("accepted", "changed"))
        if state == "accepted":
            assert f"Accepted as proposed by {REVIEWER}" in text
        if state == "rejected":
            assert f"Rejected by {REVIEWER}" in text
            assert "invented doubt" in text
    assert "2 readings here were accepted by no person" in pages(all_of_it, kind)["index"]


def test_only_accepted_readings_are_told_about_unless_asked(place: Path, tmp_path: Path) -> None:
    outcome = report(place, tmp_path / "out", formats=("html",), what=("film",))
    assert (outcome.readings, outcome.left_out) == (4, 2)
    index = pages(tmp_path / "out", "html")["index"]
    assert "4 readings." in index
    assert "2 more readings are left out: no person has accepted them." in index
    assert "UNREVIEWED" not in " ".join(pages(tmp_path / "out", "html").values())


def test_totals_are_counts_of_the_store(all_of_it: Path, place: Path) -> None:
    verdicts = Counter(
        "not read" if reading["alignment"] is None else reading["alignment"]["square"]
        for reading, _ in current(place).values()
    )
    index = pages(all_of_it, "html")["index"]
    table = re.search(r"AP (\d) (\d) (\d) (\d) (\d) fewer", index)
    lateral = re.search(r"Lateral (\d) (\d) (\d) (\d) (\d) fewer", index)
    rest = re.search(r"Other or no knee (\d) (\d) (\d) (\d) (\d) fewer", index)
    assert table
    assert lateral
    assert rest
    columns = [sum(map(int, cells)) for cells in zip(*(m.groups() for m in (table, lateral, rest)))]  # noqa: B905
    wanted = [verdicts[name] for name in ("yes", "no", "cannot tell", "not read")]
    assert columns == [6, *wanted]


def test_operators_are_codes_never_names(all_of_it: Path) -> None:
    everything = " ".join(
        text for kind in ("html", "pdf") for text in pages(all_of_it, kind).values()
    )
    assert "Invented Operator" not in everything
    assert "Invented^Operator" not in everything
    assert "Invented^Person" not in everything
    assert len(pages(all_of_it, "html", "operator-op-")) == 2


def test_medians_are_those_of_the_store(all_of_it: Path, place: Path) -> None:
    mine = [current(place)[f"{number}.dcm"][0] for number in (1, 2, 3)]
    for text in pages(all_of_it, "html", "operator-").values():
        if "films/1.dcm" not in text:
            continue
        for view, label in (("AP", "AP"), ("lateral", "Lateral")):
            for name in ("rotation", "tilt"):
                of = [r["alignment"] for r in mine if r["view"]["name"] == view]
                middle = np.median([abs(one[f"{name}_deg"]) for one in of])
                assert f"{label}, {name.capitalize()} {len(of)} {middle:.1f}°" in text


def test_few_films_give_counts_and_no_share(all_of_it: Path) -> None:
    for text in pages(all_of_it, "html", "operator-").values():
        assert "counts are shown, and nothing can be told about skill" in text
        assert "fewer than 20: no share" in text
        assert not re.search(r"\d+ % \(\d+ % to \d+ %\)", text)


def test_a_share_comes_with_its_interval() -> None:
    from pipeline.language import speech
    from pipeline.reports.totals import Count, share

    said = share(speech("en"), Count({"yes": 18, "no": 7, "cannot tell": 3}))
    low, high = proportion_confint(18, 25, method="wilson")
    assert said == f"72 % ({100 * low:.0f} % to {100 * high:.0f} %)"
    assert "no share" in share(speech("en"), Count({"yes": 10, "no": 9, "cannot tell": 30}))


@pytest.mark.parametrize("of", [1, 2, 7, 20, 400])
def test_wilson_against_statsmodels(of: int) -> None:
    for count in {0, 1, of // 3, of - 1, of}:
        low, high = wilson(count, of)
        expected = proportion_confint(count, of, method="wilson")
        assert math.isclose(low, max(0.0, expected[0]), abs_tol=1e-9)
        assert math.isclose(high, min(1.0, expected[1]), abs_tol=1e-9)
    with pytest.raises(ValueError, match="expected a count"):
        wilson(3, 2)
    assert wilson(0, 0) == (0.0, 1.0)


def test_links_lead_somewhere(all_of_it: Path) -> None:
    for path in all_of_it.glob("*.html"):
        targets = re.findall(r'href="([^"]+)"', path.read_text("utf-8"))
        assert targets, path.name
        for target in targets:
            assert (all_of_it / target).is_file(), (path.name, target)


@pytest.mark.parametrize("what", [("film",), ("study",), ("operator", "period")])
def test_links_lead_somewhere_when_some_reports_are_left_out(
    place: Path, tmp_path: Path, what: tuple[str, ...]
) -> None:
    report(place, tmp_path / "out", what=what, formats=("html",))
    for path in (tmp_path / "out").glob("*.html"):
        for target in re.findall(r'href="([^"]+)"', path.read_text("utf-8")):
            assert (tmp_path / "out" / target).is_file(), (path.name, target)


def test_the_same_command_again_goes_on(place: Path, tmp_path: Path) -> None:
    chosen = {"what": ("film", "study"), "formats": ("html",)}
    out = tmp_path / "out"
    first = report(place, out, **chosen)
    made = {path: path.stat().st_mtime_ns for path in out.glob("*.html")}
    gone = next(path for path in made if path.name.startswith("study-"))
    gone.unlink()
    again = report(place, out, **chosen)
    assert (again.reports, len(again.written)) == (first.reports, len(first.written))
    assert gone.is_file()
    kept = [path for path, when in made.items() if path.exists() and path != gone]
    old = [path.name for path in kept if path.stat().st_mtime_ns == made[path]]
    assert old
    assert any(name.startswith("film-") for name in old)
    report(place, out, language="de", **chosen)
    assert all('lang="de"' in path.read_text("utf-8") for path in out.glob("*.html"))


def test_the_command_takes_a_folder_of_results(
    place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = tmp_path / "results"
    results.mkdir()
    rows = [row(number, place.parents[1] / "films", study="a") for number in (1, 2)]
    text = "".join(json.dumps(one) + "\n" for one in rows)
    (results / "readings.jsonl").write_text(text, "utf-8")
    words = ["report", str(results), str(tmp_path / "out"), "unreviewed=true", "outline=false"]
    assert main([*words, "format=[html]", "what=[period]"]) == 0
    said = capsys.readouterr().out
    assert "3 reports of 2 readings" in said, "two months and the overview"
    assert "not for guidance" in said
    assert main([*words, "what=[poem]"]) == 2
    assert "what=poem: is not known" in capsys.readouterr().err


def test_in_german_everything_is_german(place: Path, tmp_path: Path) -> None:
    report(place, tmp_path / "de", language="de", unreviewed=True, what=("film",))
    texts = pages(tmp_path / "de", "html") | pages(tmp_path / "de", "pdf")
    for name, text in texts.items():
        assert "NICHT ZUR STEUERUNG VON EINGRIFFEN" in text, name
    german = next(text for text in texts.values() if "films/1.dcm" in text and "Gründe" in text)
    for words in (
        "Nicht exakt eingestellt",
        "Rotation: 10,7 Grad (7,7 bis 13,7): das Bein ist nach innen gedreht.",
        "Das vordere Ende des Strahls um etwa 11 Grad nach medial drehen",
        "Zentrierung der Patella",
        "+3,0 mm am Knie",
    ):
        assert words in german
    first = (tmp_path / "de" / "index.html").read_text("utf-8")
    assert '<html lang="de">' in first


def test_no_word_goes_round_the_catalogue(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the language with accents nothing plain is left but names and what people wrote."""
    drawn = words_drawn(monkeypatch, "pipeline.records.paper.charts.picture")
    report(place, tmp_path / "xa", language=ACCENTED, unreviewed=True)
    given = (
        r"films/\d\.dcm|results/?|films|op-\w+|st-\w+|invented doubt|invented-weights|"
        rf"{REVIEWER}|c{{12}}|\b(?:{'|'.join((*MONTHS, *SHORT))})\b"
    )
    found = [*pages(tmp_path / "xa", "html").items(), *pages(tmp_path / "xa", "pdf").items()]
    assert len(found) == 28
    assert len(drawn) > 50, "words in charts are outlines in the files"
    found.append(("charts", " ".join(drawn)))
    for name, text in found:
        assert not plain_words(re.sub(given, " ", text)), name


def test_a_film_that_is_gone_costs_its_picture_only(place: Path, tmp_path: Path) -> None:
    moved = place.parents[1] / "films" / "2.dcm"
    away = moved.with_suffix(".away")
    moved.rename(away)
    try:
        outcome = report(place, tmp_path / "out", what=("film",), formats=("html",))
    finally:
        away.rename(moved)
    assert [Path(problem.source).name for problem in outcome.problems] == ["2.dcm"]
    texts = pages(tmp_path / "out", "html", "film-")
    assert len(texts) == 4
    assert sum("No picture: the original film is gone" in text for text in texts.values()) == 1
    assert "2.dcm" in (tmp_path / "out" / "problems.csv").read_text()


def test_days_and_operators_choose(place: Path, tmp_path: Path) -> None:
    chosen = {"formats": ("html",), "what": (), "unreviewed": True}
    some = report(place, tmp_path / "a", since=day_of("since", "2026-03-01"), **chosen)
    assert 0 < some.readings < 6
    one = report(place, tmp_path / "b", operator=("Other^Operator",), **chosen)
    assert one.readings == 3


def test_codes_instead_of_paths(place: Path, tmp_path: Path) -> None:
    report(
        place, tmp_path / "out", names="code", formats=("html",), unreviewed=True, what=("film",)
    )
    names = [path.name for path in (tmp_path / "out").iterdir()]
    texts = " ".join(pages(tmp_path / "out", "html").values()) + " ".join(names)
    assert not re.search(r"\d\.dcm|films/", texts)
    assert sum(name.startswith("film-") for name in names) == 6
    assert short_name("/a/films/1.dcm") not in texts


def test_frames_of_a_run_have_a_report_each(tmp_path: Path) -> None:
    film(tmp_path / "films" / "1.dcm", 1, frames=3)
    rows = [row(1, tmp_path / "films", frame=frame, study="a") for frame in (1, 3)]
    place = tmp_path / "store.sqlite"
    with Store.open(str(place), KEY) as store:
        store.add_readings(rows)
    outcome = report(
        place, tmp_path / "out", formats=("html",), unreviewed=True, what=("film", "study")
    )
    assert not outcome.problems
    films = pages(tmp_path / "out", "html", "film-")
    assert len(films) == 2
    for frame, text in zip((1, 3), films.values(), strict=True):
        assert f"films/1.dcm, frame {frame}" in text
    written = "".join(path.read_text("utf-8") for path in (tmp_path / "out").glob("film-*"))
    assert written.count("data:image/jpeg") == 2


def test_wrong_choices_are_one_sentence() -> None:
    for choices, words in (
        ({"what": ("poem",)}, "what=poem: is not known"),
        ({"formats": ()}, "none is named"),
        ({"language": "xx"}, "'xx' is not known"),
        ({"period": "week"}, "period=week"),
        (
            {"since": day_of("since", "2026-02-02"), "until": day_of("until", "2026-01-01")},
            "since",
        ),
    ):
        with pytest.raises(Problem, match=re.escape(words)):
            Choices(**choices)  # type: ignore[arg-type]
    with pytest.raises(Problem, match="YYYY-MM-DD"):
        day_of("since", "yesterday")


def test_an_empty_store_is_an_empty_overview(tmp_path: Path) -> None:
    place = tmp_path / "store.sqlite"
    Store.open(str(place), KEY).close()
    outcome = report(place, tmp_path / "out")
    assert outcome.readings == 0
    assert "0 readings" in pages(tmp_path / "out", "pdf")["index"]


def test_a_study_tells_how_its_views_were_found(all_of_it: Path) -> None:
    texts = pages(all_of_it, "html", "study-")
    told = [text for text in texts.values() if "How the views were found" in text]
    assert len(told) == 1, "one of the two studies has two films of one view"
    assert "Moves between the films of this view" in told[0]

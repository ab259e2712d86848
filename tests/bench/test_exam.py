"""The benchmark end to end on toy films: kept, resumed, the same from inside and outside."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from catalogue_words import plain_words, words_drawn

from pipeline.bench import films as films_module
from pipeline.bench.exam import BenchSettings, Exam, examine
from pipeline.bench.figures import figures_of, strict
from pipeline.bench.films import fingerprint, picture_path, read_film, truth_row, verified
from pipeline.bench.handout import check_file, hand_out
from pipeline.bench.report import paper_of, write_report
from pipeline.bench.suite_tables import words as plain
from pipeline.bench.words import ABOUT
from pipeline.bench.words import SUITES as SUITE_WORDS
from pipeline.cli import compose
from pipeline.knee.errors import Problem
from pipeline.knee.landmarks import BY_NAME, names_of
from pipeline.language import speech
from pipeline.language.speech import ACCENTED
from pipeline.records.paper import write_html

TOY = {"name": "toy_exam:ToyFilms", "films_per_knee": 2}
SUITES = {
    "clean": {"about": "toys"},
    "turned": {"about": "turned", "beside": "clean", "scenario": {"turn_deg": 0.0}},
}


def entry(**detector: Any) -> dict[str, Any]:
    return {
        "detector": {"name": "toy_exam:ToyDetector", **detector},
        "pose": {"name": "toy_exam:ToyPose"},
    }


def settings(tmp: Path, **changes: Any) -> BenchSettings:
    values: dict[str, Any] = {
        "films": 40,
        "first_seed": 1000,
        "scenario": TOY,
        "suite": SUITES,
        "entries": {"good": entry(sigma_mm=1.0), "poor": entry(sigma_mm=2.0, number=2)},
        "reference": "good",
        "cache": str(tmp / "cache"),
        "workers": 1,
    }
    return BenchSettings(**{**values, **changes})


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Exam]:
    out = tmp_path_factory.mktemp("exam")
    exam = examine(settings(out), out / "out")
    write_report(exam, out / "out")
    return out, exam


def test_errors_follow_the_gaussian_law(done: tuple[Path, Exam]) -> None:
    """Isotropic Gaussian error s: mean s sqrt(pi/2), share within z 1 - exp(-z^2 / 2 s^2);
    normal errors are half-normal, mean s sqrt(2/pi) (own arithmetic, checked with scipy)."""
    figures = figures_of(done[1])["good"]["clean"]
    assert figures["view_right"]["share"] == 1.0
    for view in ("AP", "lateral"):
        radial = figures["views"][view]["radial"]
        assert radial["mean"]["value"] == pytest.approx(1.2533, abs=0.12)
        assert radial["sdr"]["2"]["value"] == pytest.approx(1 - np.exp(-2.0), abs=0.05)
        curve = dict(map(tuple, radial["sdr_curve"]))
        assert curve[4.0] == pytest.approx(1 - np.exp(-8.0), abs=0.02)
        rows = figures["views"][view]["landmarks"].values()
        normal = [row["normal"]["mean"]["value"] for row in rows if row.get("normal", {}).get("n")]
        assert np.mean(normal) == pytest.approx(np.sqrt(2 / np.pi), abs=0.12)


def test_angles_and_their_intervals(done: tuple[Path, Exam]) -> None:
    """Normal errors of 1 degree: mean absolute error sqrt(2/pi), 90 % inside 90 % intervals."""
    angles = figures_of(done[1])["good"]["clean"]["both"]["angles"]
    assert angles["n"] == 80
    assert angles["mae"]["value"] == pytest.approx(0.798, abs=0.15)
    assert abs(angles["bias"]["value"]) < 0.35
    assert 0.8 < angles["interval_90"]["held"] <= 1.0
    assert angles["interval_90"]["half_width"] == pytest.approx(1.6449, abs=1e-3)
    low, high = angles["limits_of_agreement"]
    assert high - low == pytest.approx(2 * 1.96 * angles["sd"])


def test_a_landmark_off_the_film_never_counts(done: tuple[Path, Exam]) -> None:
    figures = figures_of(done[1])["good"]["clean"]
    first = names_of("AP")[0]
    assert figures["views"]["AP"]["landmarks"][first]["radial"]["n"] == 0


def test_the_better_entry_is_told_from_the_poorer(done: tuple[Path, Exam]) -> None:
    results = json.loads((done[0] / "out" / "results.json").read_text())
    rows = {row["suite"]: row for row in results["paired"]["landmarks"]}
    assert rows["clean"]["entry"] == "poor"
    assert rows["clean"]["persons"] == 20
    assert rows["clean"]["difference"] < -0.5
    assert rows["clean"]["p_holm"] < 0.01
    assert rows["all suites"]["p_holm"] >= rows["all suites"]["p"]


def test_what_a_suite_adds_is_counted_person_by_person(done: tuple[Path, Exam]) -> None:
    """Both toy suites show the same films: the toy errs alike on both, so nothing is added."""
    results = json.loads((done[0] / "out" / "results.json").read_text())
    row = results["shifts"]["landmarks"]["good"]["turned"]
    assert (row["beside"], row["persons"]) == ("clean", 20)
    assert row["difference"] == pytest.approx(0.0, abs=1e-9)
    assert row["p"] == 1.0


def test_results_hold_what_is_needed_to_repeat_them(done: tuple[Path, Exam]) -> None:
    results = json.loads((done[0] / "out" / "results.json").read_text())
    assert BenchSettings(**results["settings"]) == settings(done[0])
    made = results["made_by"]
    assert made["entries"]["good"]["weights"] == "toy 1"
    assert len(made["suites"]["clean"]["digest"]) == 16
    assert made["machine"]["packages"]["numpy"] != "absent"


def test_what_is_written_is_whole(done: tuple[Path, Exam]) -> None:
    out = done[0] / "out"
    page = (out / "report.html").read_text()
    assert page.count("<svg") + page.count("data:image/") >= 4
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "not for guidance" in page.lower()
    table = (out / "benchmark.md").read_text()
    assert "| clean | " in table
    tex = (out / "benchmark.tex").read_text()
    assert tex.count(r"\begin{tabular}") == tex.count(r"\end{tabular}") > 5
    assert "%" not in tex.replace(r"\%", "")
    with (out / "landmarks.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert {row["suite"] for row in rows} == {"clean", "turned"}


def page_in(code: str, results: Any, out: Path) -> str:
    write_html(paper_of(speech(code), results), out / f"{code}.html")
    return (out / f"{code}.html").read_text("utf-8")


def test_the_page_speaks_german(done: tuple[Path, Exam], tmp_path: Path) -> None:
    results = json.loads((done[0] / "out" / "results.json").read_text())
    text = page_in("de", results, tmp_path)
    for said in (
        '<html lang="de">',
        "Messpunkte: mittlerer Fehler, mm",
        "ungestört",
        "Jeder Messpunkt, Reihe ungestört",
        "Wie es sich wiederholen lässt",
    ):
        assert said in text
    assert re.search(r"\d,\d\d \(\d,\d\d bis \d,\d\d\)", text)
    assert not re.search(r"\d\.\d\d \(\d", text)
    assert "mean error" in (done[0] / "out" / "benchmark.md").read_text()


def test_no_word_of_the_page_goes_round_the_catalogue(
    done: tuple[Path, Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In English with accents nothing plain is left but names: of entries, suites and landmarks
    that do not ship, of the machine, of its packages."""
    drawn = words_drawn(monkeypatch, "pipeline.bench.plots.picture")
    results = json.loads((done[0] / "out" / "results.json").read_text())
    page = page_in(ACCENTED, results, tmp_path)
    body = re.sub(r"<(style|svg)\b.*?</\1>|<[^>]+>|&\w+;", " ", page, flags=re.DOTALL)
    made = results["made_by"]
    machine = made["machine"]
    names = [
        *(name.replace("_", " ") for name in BY_NAME),
        *(machine["processor"], machine["system"], *machine["packages"]),
        *machine["packages"].values(),
        *results["figures"],
        *made["suites"],
        *(suite["about"] for suite in made["suites"].values()),
        *(suite["digest"] for suite in made["suites"].values()),
        *(str(one) for entry in made["entries"].values() for one in flat(entry)),
        *("squareon", "Python", "Holm"),
    ]
    given = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True) if name)
    assert len(drawn) > 30
    for text in (body, " ".join(drawn)):
        assert plain_words(re.sub(given, " ", text)) == []


def flat(value: Any) -> list[Any]:
    parts = value.values() if isinstance(value, dict) else value
    nested = isinstance(value, dict | list)
    return [leaf for part in parts for leaf in flat(part)] if nested else [value]


def test_every_suite_that_ships_has_its_words() -> None:
    suites = compose("bench", BenchSettings, [])["suite"]
    assert {suite["about"] for suite in suites.values()} == set(ABOUT)
    assert {plain(name) for name in suites} | {"own", "all suites"} == set(SUITE_WORDS)
    with pytest.raises(Problem, match="choose one of"):
        examine(BenchSettings(language="xx"), Path("nowhere"))


def test_nothing_is_read_twice(
    done: tuple[Path, Exam], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    monkeypatch.setenv("TOY_EXAM_LOG", str(log))
    again = examine(settings(done[0]), done[0] / "out")
    assert not log.exists()
    assert strict(figures_of(again)) == strict(figures_of(done[1]))
    # a run that was killed while it wrote: the last line is lost, that film alone is read again
    answers = next((done[0] / "out" / "answers").glob("good-*/clean-*.jsonl"))
    whole = answers.read_bytes()
    answers.write_bytes(whole[:-40])
    third = examine(settings(done[0]), done[0] / "out")
    assert len(log.read_text().split()) == 1
    assert len(answers.read_bytes().splitlines()) == len(whole.splitlines())

    def errors(exam: Exam) -> list[float]:
        return [
            e for s in exam.scores["good"]["clean"] for k in s.result.knees for e in k.radial_mm
        ]

    np.testing.assert_allclose(errors(third), errors(done[1]))


def test_other_weights_never_meet_old_answers(
    done: tuple[Path, Exam], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    monkeypatch.setenv("TOY_EXAM_LOG", str(log))
    examine(settings(done[0], entries={"good": entry(number=3)}), done[0] / "out")
    assert len(log.read_text().split()) == 80


def test_predictions_from_outside_score_as_from_inside(
    done: tuple[Path, Exam], tmp_path: Path
) -> None:
    """The same answers handed in as JSON Lines, CSV and COCO keypoints; boxes and deviations are
    not asked of them."""
    tmp, exam = done
    source = next((tmp / "out" / "answers").glob("good-*/clean-*.jsonl"))
    rows = [json.loads(line) for line in source.read_text().splitlines()]
    (tmp_path / "a.jsonl").write_text(source.read_text())
    write_csv(tmp_path / "b.csv", rows)
    hand_out(settings(tmp), tmp_path / "handout")
    write_coco(tmp_path / "c.json", rows, tmp_path / "handout" / "clean" / "films.json")
    inside = figures_of(exam)["good"]["clean"]
    for name in ("a.jsonl", "b.csv", "c.json"):
        told, sound = check_file(tmp_path / name, tmp_path / "handout" / "clean")
        assert sound, told
        entries = {"theirs": {"predictions": str(tmp_path / name)}}
        one = examine(
            settings(tmp, entries=entries, reference="theirs", suites=["clean"]), tmp_path / "o"
        )
        outside = figures_of(one)["theirs"]["clean"]
        for part in ("landmarks", "angles"):
            assert strict(outside["both"][part]) == strict(inside["both"][part]), (name, part)
        digest = one.made_by["entries"]["theirs"]["sha256"][name]
        assert len(digest) == 16


def write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    flat = [
        {
            **{k: v for k, v in row.items() if k in CSV_FIELDS},
            **{
                f"{name}_{axis}": xy[k]
                for name, xy in row["landmarks"].items()
                for k, axis in enumerate("xy")
            },
        }
        for row in rows
    ]
    columns = sorted({key for row in flat for key in row})
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(flat)


CSV_FIELDS = (
    "film",
    "view",
    "lateral_to_right",
    "rotation_deg",
    "rotation_sd",
    "tilt_deg",
    "tilt_sd",
    "flexion_deg",
)


def write_coco(path: Path, rows: list[dict[str, Any]], films: Path) -> None:
    data = json.loads(films.read_text())
    ids = {Path(image["file_name"]).stem: image["id"] for image in data["images"]}
    for number, row in enumerate(rows, 1):
        category = data["categories"][0 if row["view"] == "AP" else 1]
        points = [v for name in category["keypoints"] for v in (*row["landmarks"][name], 2)]
        data["annotations"].append(
            {
                "id": number,
                "image_id": ids[row["film"]],
                "category_id": category["id"],
                "keypoints": points,
                "attributes": {k: row[k] for k in CSV_FIELDS[2:]},
            }
        )
    path.write_text(json.dumps(data))


def test_a_missed_knee_costs_hits_and_no_answer_is_a_miss(tmp_path: Path) -> None:
    """Every fourth film, half of the laterals, missed: their landmarks count as not found."""
    exam = examine(
        settings(tmp_path, entries={"good": entry(sigma_mm=0.01, miss=4)}, suites=["clean"]),
        tmp_path / "out",
    )
    figures = figures_of(exam)["good"]["clean"]
    assert figures["missed"] == 10
    ap, lateral = (len(names_of(view)) - 1 for view in ("AP", "lateral"))
    found = (20 * ap + 10 * lateral) / (20 * (ap + lateral))
    assert figures["both"]["landmarks"]["sdr"]["2"]["value"] == pytest.approx(found)
    assert figures["both"]["landmarks"]["mean"]["value"] < 0.05
    rows = tmp_path / "half.jsonl"
    source = next((tmp_path / "out" / "answers").glob("*/clean-*.jsonl"))
    rows.write_text("".join(f"{line}\n" for line in source.read_text().splitlines()[:10]))
    told, sound = check_file(rows, None)
    assert sound, told
    entries = {"half": {"predictions": str(rows)}}
    half = examine(settings(tmp_path, entries=entries, suites=["clean"]), tmp_path / "o")
    assert figures_of(half)["half"]["clean"]["missed"] >= 30


def test_an_entry_that_breaks_has_no_answer_there(tmp_path: Path) -> None:
    exam = examine(
        settings(tmp_path, entries={"good": entry(breaks=10)}, suites=["clean"]), tmp_path / "out"
    )
    figures = figures_of(exam)["good"]["clean"]
    assert figures["missed"] == 4
    assert figures["failures"] == ["RuntimeError: the toy broke"]


def test_films_are_the_same_in_any_number_of_processes(
    done: tuple[Path, Exam], tmp_path: Path
) -> None:
    two = examine(
        settings(tmp_path, workers=2, suites=["clean"], films=8, entries={"good": entry()}),
        tmp_path / "out",
    )
    suite = two.suites["clean"]
    rows = [truth_row(tmp_path / "cache", suite, seed) for seed in suite.seeds]
    mine = [truth_row(done[0] / "cache", suite, seed) for seed in suite.seeds]
    assert rows == mine


def test_digests_tell_same_close_and_other_films(
    done: tuple[Path, Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    suite = done[1].suites["clean"]
    rows = [truth_row(done[0] / "cache", suite, seed) for seed in suite.seeds]
    assert verified(suite, rows)["state"] == "not published"
    known = {suite.key: {str(row["seed"]): fingerprint(row) for row in rows}}
    path = tmp_path / "digests.json"
    monkeypatch.setattr(films_module, "DIGESTS", path)
    path.write_text(json.dumps(known))
    assert verified(suite, rows)["state"] == "identical"
    first = known[suite.key][str(rows[0]["seed"])]
    first["digest"] = "0" * 12
    path.write_text(json.dumps(known))
    assert verified(suite, rows)["state"] == "within tolerance"
    first["grey"] += 0.01
    path.write_text(json.dumps(known))
    state = verified(suite, rows)
    assert state["state"] == "different"
    assert state["films"]["different"] == 1


def test_a_film_that_was_changed_in_the_cache_is_refused(tmp_path: Path) -> None:
    one = settings(tmp_path, films=2, suites=["clean"], entries={"good": entry()})
    suite = examine(one, tmp_path / "out").suites["clean"]
    path = picture_path(tmp_path / "cache", suite, 1000)
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    picture[5, 5] ^= 1
    cv2.imwrite(str(path), picture)
    with pytest.raises(Problem, match="not the film"):
        read_film(tmp_path / "cache", suite, 1000)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"films": 0}, "none to measure"),
        ({"films": 3}, "multiples of 2"),
        ({"suites": ["claen"]}, "clean"),
        ({"compare": ["god"]}, "good"),
        ({"first_seed": 1_000_000_000}, "training"),
        ({"entries": {"x": {}}}, "has no detector"),
        ({"entries": {"x": {"predictions": "/nowhere.csv"}}}, "no such file"),
        ({"suites": ["own"]}, "own.films"),
    ],
)
def test_settings_that_make_no_exam_are_told(
    change: dict[str, Any], match: str, tmp_path: Path
) -> None:
    with pytest.raises(Problem, match=match):
        examine(settings(tmp_path, **change), tmp_path / "out")

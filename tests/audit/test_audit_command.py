"""`squareon audit` on invented hunts: what it writes is what was put into the headers and knees."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from review_browser import chromium

from pipeline.audit.sources import of_results
from pipeline.batch import ReadSettings, parts_of, read_batch
from pipeline.bench.hunts import Hunt, Hunter, hunt_of, write_hunt
from pipeline.cli import compose, main
from pipeline.commands.caution import CAUTION
from pipeline.fit.turning import FittedKnee
from pipeline.readers.dicom_shot import read_shot
from pipeline.records.store import Acquisitions, open_store
from pipeline.registry import build

SHOTS = Hunter("lateral", 9302, "beam", after=1, operator="A", pixels=448)
RUN = Hunter("AP", 9303, "limb", operator="B", pixels=448, dosed=True)
LOOKS = ((1366, 768, "light"), (3840, 2160, "dark"))


@dataclass(frozen=True)
class House:
    """Films, their readings and their audit."""

    folder: Path
    shots: Hunt
    run: Hunt

    @property
    def films(self) -> Path:
        return self.folder / "films"

    @property
    def results(self) -> Path:
        return self.folder / "results"

    @property
    def out(self) -> Path:
        return self.folder / "audit"

    @property
    def said(self) -> dict[str, Any]:
        return json.loads((self.out / "audit.json").read_text())  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    made = House(tmp_path_factory.mktemp("hunts"), hunt_of(SHOTS), hunt_of(RUN))
    write_hunt(made.shots, made.films / "shots", "shots")
    write_hunt(made.run, made.films / "run", "run", run=True)
    settings = compose("read", ReadSettings, ["writer=tables", "workers=1"])
    read_batch([made.films], made.results, ReadSettings(**settings))
    assert main(["audit", str(made.results), "--out", str(made.out), "period=year"]) == 0
    return made


def study(said: dict[str, Any], view: str) -> dict[str, Any]:
    return next(s for s in said["studies"] if s["hunts"][0]["view"] == view)


def test_headers_say_what_was_put_into_them(house: House) -> None:
    for index, each in enumerate(house.shots.films, start=1):
        found = read_shot(house.films / "shots" / f"shot-{index}.dcm")
        assert found == each.shot
    dose = [each.shot.dose_area_gy_cm2 or 0.0 for each in house.run.films]
    for frame, each in enumerate(house.run.films, start=1):
        found = read_shot(house.films / "run" / "run.dcm", frame)
        assert found.dose_area_gy_cm2 is None
        assert found.run_dose_area_gy_cm2 == pytest.approx(sum(dose), rel=1e-3)
        assert found.frames == len(house.run.films)
        assert found.positioner is not None
        assert each.shot.positioner is not None
        assert found.positioner.primary == pytest.approx(each.shot.positioner.primary, abs=0.05)
        assert found.positioner.secondary == pytest.approx(each.shot.positioner.secondary, abs=0.05)


def test_the_audit_of_a_series_of_shots(house: House) -> None:
    found = study(house.said, "lateral")
    assert (found["invented"], found["order"]["by"]) == (True, "time")
    assert len(found["films"]) == len(house.shots.films)
    (hunt,) = found["hunts"]
    for step, each in zip(hunt["steps"], house.shots.films[1:], strict=True):
        assert step["source"] == "header"
        turns = [turn["degrees"] for turn in step["by_header"]]
        assert turns == pytest.approx(each.turn, abs=0.3)  # angles are written to a tenth
        for turn, true in zip(step["by_pose"], each.turn or (), strict=True):
            assert abs(turn["degrees"] - true) < 2.5
    low, high = hunt["films_to_square_range"]
    assert house.shots.first_square is not None
    assert low <= house.shots.first_square + 1 <= (high or 99)
    before = [each.shot.dose_area_gy_cm2 or 0.0 for each in house.shots.films]
    count = hunt["films_to_square"] - 1
    assert hunt["before_dose"]["gy_cm2"] == pytest.approx(sum(before[:count]))
    advice = hunt["advice"]
    for angle, (low, high) in zip(advice["pose"], advice["pose_90"], strict=True):
        assert low < angle < high


def test_the_audit_of_a_run_whose_limb_was_moved(house: House) -> None:
    found = study(house.said, "AP")
    assert found["runs"] == 1
    assert [film["film"] for film in found["films"]] == list(range(1, len(house.run.films) + 1))
    (hunt,) = found["hunts"]
    assert hunt["before_dose"]["gy_cm2"] is None
    assert found["dose"]["gy_cm2"] is not None  # of the run as a whole
    for step, each in zip(hunt["steps"], house.run.films[1:], strict=True):
        if each.by_limb:
            still = [turn["degrees"] for turn in step["by_header"]]
            assert still == pytest.approx([0.0, 0.0], abs=0.3)


def test_names_become_codes(house: House) -> None:
    codes = {s["operator"] for s in house.said["studies"]}
    assert len(codes) == 2
    assert all(code.startswith("op-") for code in codes)
    for path in house.out.iterdir():
        assert b"INVENTED^" not in path.read_bytes(), path.name


def test_pages_say_what_they_are(house: House) -> None:
    page = (house.out / "index.html").read_text()
    assert "NOT FOR GUIDANCE" in page
    assert "never for judging a person" in page
    assert "too few to say" in page
    files = [f"study-{s['study']}" for s in house.said["studies"]]
    for name in (*files, "index"):
        assert (house.out / f"{name}.pdf").read_bytes().startswith(b"%PDF")
        text = (house.out / f"{name}.html").read_text()
        assert str(house.folder) not in text
        assert "INVENTED DATA" in text
    with open(house.out / "hunts.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["view"] for row in rows].count("lateral") == 1


def test_a_store_gives_the_same_and_the_sites_own_codes(house: House, tmp_path: Path) -> None:
    results = tmp_path / "results"
    shutil.copytree(house.results, results)
    with open_store(str(results)) as store:
        Acquisitions(store).give_code("operator", "INVENTED^A", "R7")
    assert main(["audit", str(results), "--out", str(tmp_path / "out"), "pages=[html]"]) == 0
    said = json.loads((tmp_path / "out" / "audit.json").read_text())
    ours, theirs = study(said, "lateral"), study(house.said, "lateral")
    assert ours["operator"] == "R7"
    assert ours["hunts"][0]["films_to_square"] == theirs["hunts"][0]["films_to_square"]
    assert ours["dose"] == theirs["dose"]
    assert not list((tmp_path / "out").glob("*.pdf"))


def test_films_are_read_first_and_not_twice(house: House, tmp_path: Path) -> None:
    films = tmp_path / "films"
    shutil.copytree(house.films / "run", films)
    words = ["audit", str(films), "--out", str(films / "audit"), "pages=[html]", "workers=1"]
    assert main(words) == 0
    readings = films / "audit" / "readings" / "readings.jsonl"
    before = readings.stat().st_mtime_ns
    assert main(words) == 0  # what the first run left in the folder is no film
    assert readings.stat().st_mtime_ns == before
    assert len((films / "audit" / "hunts.csv").read_text().splitlines()) == 2


def test_pages_of_an_audit_before_go_and_nothing_else(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "audit"
    shutil.copytree(house.out, out)
    for name in ("study-mine.html", "notes.pdf"):
        (out / name).write_text("my own")
    said = json.loads((out / "audit.json").read_text())
    said["studies"].append({"study": "x/../../outside"})
    (out / "audit.json").write_text(json.dumps(said))
    (tmp_path / "outside.html").write_text("not in the folder")
    words = ["pages=[html]", "least_films=99", "operators=none"]
    assert main(["audit", str(house.results), "--out", str(out), *words]) == 0
    assert {path.name for path in out.iterdir() if path.suffix in (".html", ".pdf")} == {
        "index.html",
        "study-mine.html",
        "notes.pdf",
    }
    assert (tmp_path / "outside.html").exists()
    assert CAUTION in capsys.readouterr().out


def test_films_that_are_gone_leave_the_angles(house: House, tmp_path: Path) -> None:
    rows = (house.results / "readings.jsonl").read_text()
    (tmp_path / "results").mkdir()
    moved = rows.replace(str(house.films), str(tmp_path / "nowhere"))
    (tmp_path / "results" / "readings.jsonl").write_text(moved)
    out = tmp_path / "out"
    words = ["audit", str(tmp_path / "results"), "--out", str(out), "pages=[html]"]
    assert main([*words, "operators=none"]) == 0
    found = study(json.loads((out / "audit.json").read_text()), "lateral")
    assert found["dose"]["gy_cm2"] is None
    assert found["order"]["by"] == "name"
    assert found["operator"] is None
    page = (out / f"study-{found['study']}.html").read_text()
    assert "not where they were read" in page


def test_a_file_that_has_changed_since_is_not_believed(house: House, tmp_path: Path) -> None:
    films = tmp_path / "films"
    shutil.copytree(house.films, films)
    path = films / "shots" / "shot-1.dcm"
    data = pydicom.dcmread(path)
    data.ImageAndFluoroscopyAreaDoseProduct = "999"
    data.save_as(path)
    (tmp_path / "results").mkdir()
    rows = (house.results / "readings.jsonl").read_text().replace(str(house.films), str(films))
    (tmp_path / "results" / "readings.jsonl").write_text(rows)
    found = of_results(tmp_path / "results", None)
    doses = [f.shot.dose_area_gy_cm2 for each in found.values() for f in each]
    assert None in doses
    assert 99.9 not in doses


@pytest.mark.parametrize(
    ("word", "says"),
    [("pages=[word]", "html, pdf"), ("period=week", "month"), ("operators=name", "code or none")],
)
def test_a_wrong_setting_is_told(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str], word: str, says: str
) -> None:
    assert main(["audit", str(house.results), "--out", str(tmp_path / "out"), word]) == 2
    assert says in capsys.readouterr().err


def test_the_turned_drawing_is_where_the_turned_knee_would_be(house: House) -> None:
    """Fitted to the first film, turned to the true pose of the square one, compared with it."""
    parts = parts_of(ReadSettings(**compose("read", ReadSettings, ["workers=1"])), 1)
    hunt = house.shots
    assert hunt.first_square
    (detection,) = parts.detector.detect(hunt.film(0))
    end = hunt.films[hunt.first_square]
    estimator: Any = build("pose", "landmark_fit", {})
    knee = FittedKnee.of(hunt.film(0), detection, estimator, hunt.films[0].pose)
    turned = knee.turned(*end.pose)
    assert turned.angles == pytest.approx(end.pose, abs=0.02)
    truth = hunt.patient.truth(end.aim)
    at = dict(zip(truth.names, truth.xy, strict=True))
    for way in ("distal", "posterior"):
        names = [f"{side}_condyle_{way}" for side in ("lateral", "medial")]
        drawn, real, before = (
            each[names[0]] - each[names[1]]
            for each in (turned.pose().fitted, at, knee.pose().fitted)
        )
        # The condyles' separation is predicted much better than by leaving it as it was.
        off = np.linalg.norm(drawn - real) * truth.mm_per_px_knee
        assert off < 2.5
        assert off < 0.5 * np.linalg.norm(before - real) * truth.mm_per_px_knee
    assert set(turned.condyles()) == {"medial", "lateral"}


def test_pages_in_a_browser(house: House) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe")
    pages = sorted(house.out.glob("*.html"))
    assert len(pages) == 3
    with chromium() as browser:
        for width, height, scheme in LOOKS:
            size = {"width": width, "height": height}
            context = browser.new_context(viewport=size, color_scheme=scheme)
            for path in pages:
                page = context.new_page()
                page.goto(path.as_uri())
                found = axe.Axe().run(page)
                assert found.violations_count == 0, found.generate_report()
                assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
            context.close()

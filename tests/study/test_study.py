"""The study kit: sizes by statsmodels and Cohen, orders, blinding, the sealed key, analysis."""

from __future__ import annotations

import csv
import json
from collections import Counter
from itertools import pairwise

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.cli import main
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.study.analyse import Answer, Study, effects, load_study, means, mixed
from pipeline.study.example import TAUGHT_DEG, WAITING_DEG, answer
from pipeline.study.orders import SETS, arms_of, code_names, orders, split, williams
from pipeline.study.page import write_study
from pipeline.study.plan import (
    SHEET,
    Plan,
    lay_out,
    opened,
    picture_of,
    rows_of,
    seal,
    truth_of,
)
from pipeline.study.size import Wanted, learners_needed, power_of, to_invite

# ---- size --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("d", "each"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_cohens_table(d, each):
    """Cohen 1992, Psychol Bull 112:155, table 2: two means, power 0.80, two-sided 0.05."""
    assert abs(learners_needed(Wanted(d, 1.0)) - each) <= 1
    assert power_of(d, each, 2, 0.05) == pytest.approx(0.80, abs=0.01)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(0.15, 2.0),
    st.integers(3, 150),
    st.sampled_from((1, 2)),
    st.sampled_from((0.01, 0.05)),
)
def test_power_is_statsmodels(d, n, arms, alpha):
    power = pytest.importorskip("statsmodels.stats.power")
    if arms == 1:
        other = power.TTestPower().power(d, n, alpha)
    else:
        other = power.TTestIndPower().power(d, n, alpha)
    if np.isfinite(other):
        assert power_of(d, n, arms, alpha) == pytest.approx(float(other), abs=1e-6)


def test_films_and_losses_count():
    wanted = Wanted(1.5, 1.2, 3.0, films=8, lost=0.2)
    assert wanted.spread == pytest.approx((1.2**2 + 2 * 9 / 8) ** 0.5)
    needed = learners_needed(wanted)
    assert power_of(wanted.standardised, needed, 2, 0.05) >= 0.8
    assert power_of(wanted.standardised, needed - 1, 2, 0.05) < 0.8
    assert to_invite(wanted) == 2 * int(np.ceil(needed / 0.8))
    with pytest.raises(Problem, match="too small"):
        learners_needed(Wanted(1e-4, 1.0))
    for bad in ({"effect": 0.0}, {"films": 0}, {"arms": 3}, {"power": 1.2}, {"sd_change": 0.0}):
        with pytest.raises(Problem):
            Wanted(**{"effect": 1.0, "sd_change": 1.0, **bad})


# ---- orders ------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", range(1, 12))
def test_every_film_stands_everywhere_and_follows_every_other_equally_often(count):
    rows = williams(count)
    assert all(sorted(row) == list(range(count)) for row in rows)
    for place in range(count):
        assert len(set(Counter(row[place] for row in rows).values())) == 1
    follows = Counter(pair for row in rows for pair in pairwise(row))
    assert len(follows) == count * (count - 1)
    assert len(set(follows.values())) <= 1


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 9), st.integers(1, 30), st.integers(0, 10_000))
def test_drawn_orders_are_balanced_and_drawn(films, learners, seed):
    names = [f"film {i}" for i in range(films)]
    found = orders(names, learners, np.random.default_rng(seed))
    assert len(found) == learners
    assert all(sorted(row) == names for row in found)
    assert found == orders(names, learners, np.random.default_rng(seed))
    rows = len(williams(films))
    for place in range(films):
        count = Counter(row[place] for row in found)
        full, rest = divmod(learners, rows)
        least = full * rows // films
        assert all(count[name] >= least for name in names)
        assert max(count.values()) <= least + rest


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 40), st.sampled_from((1, 2)), st.integers(0, 10_000))
def test_arms_and_first_sets_stay_even(learners, arms, seed):
    found = arms_of(learners, arms, np.random.default_rng(seed))
    assert len(found) == learners
    count = Counter(found)
    assert max(count.values()) - min(count.get(k, 0) for k in count) <= 1
    assert {arm for arm, _ in found} <= {"taught", "waiting"}
    assert arms == 2 or all(arm == "taught" for arm, _ in found)


def test_names_tell_nothing_and_differ():
    names = code_names(500, np.random.default_rng(0))
    assert len(set(names)) == 500
    assert not set("".join(names)) & set("IO01S25")
    a, b = split([str(i) for i in range(9)], np.random.default_rng(0))
    assert len(a) == len(b) == 4
    assert not set(a) & set(b)


# ---- the folder --------------------------------------------------------------------------------


def films(count=8):
    rng = np.random.default_rng(0)
    return [
        (
            f"AP-turned-12-{i}.dcm",
            Film(rng.random((20, 16)).astype(np.float32), f"x/{i}", f"{i:064}"),
        )
        for i in range(count)
    ]


def truth(count=8):
    return {f"AP-turned-12-{i}.dcm": (float(i), -float(i)) for i in range(count)}


@pytest.fixture
def study(tmp_path):
    lay_out(Plan(12, seed=3, invented=True), films(), truth(), tmp_path / "s")
    return tmp_path / "s"


def test_nothing_outside_the_key_tells_which_film_or_arm_it_is(study):
    everything = [p for p in study.rglob("*") if p.is_file() and p.parent.name != "key"]
    for path in everything:
        assert "turned" not in path.name
        assert b"turned" not in path.read_bytes()
        assert path.name == "READ-ME.txt" or b"waiting" not in path.read_bytes()
    assert b"turned" not in (study / "key" / "key.sealed").read_bytes()
    assert b"waiting" not in (study / "key" / "key.sealed").read_bytes()
    plan, key = opened(study)
    assert plan["invented"]
    assert (study / "READ-ME.txt").read_text().startswith("INVENTED")
    originals = dict(films())
    for code, name in key["films"].items():
        grey = cv2.imread(str(study / "films" / f"{code}.png"), cv2.IMREAD_UNCHANGED)
        assert np.abs(grey / 65535 - originals[name].pixels).max() < 1e-4
        assert key["truth"][code] == list(truth()[name])
    assert Counter(key["arms"].values()) == {"taught": 6, "waiting": 6}


def test_every_learner_reads_one_set_before_and_the_other_after(study):
    _, key = opened(study)
    firsts = Counter()
    for learner, first in key["first_set"].items():
        rows = rows_of(study / "answers" / f"{learner}.csv", SHEET)
        second = SETS[1 - SETS.index(first)]
        for occasion, which in (("before", first), ("after", second)):
            own = [row["film"] for row in rows if row["occasion"] == occasion]
            assert sorted(own) == sorted(key["sets"][which])
        firsts[key["arms"][learner], first] += 1
    assert set(firsts.values()) == {3}


def test_a_changed_key_is_noticed(study):
    plan, key = opened(study)
    key["arms"]["L01"] = "taught" if key["arms"]["L01"] == "waiting" else "waiting"
    (study / "key" / "key.sealed").write_bytes(seal(key))
    with pytest.raises(Problem, match="not the key that was planned"):
        load_study(study)
    assert plan["key_sha256"]


@pytest.mark.parametrize(
    ("column", "text", "words"),
    [("rotation_deg", "a lot", "no number"), ("film", "XXXXX", "no film"), ("place", "x", "place")],
)
def test_a_wrong_cell_is_named_by_its_line(study, column, text, words):
    path = study / "answers" / "L03.csv"
    rows = rows_of(path, SHEET)
    rows[1] |= {"rotation_deg": "1", "tilt_deg": "2", column: text}
    with path.open("w", newline="") as file:
        table = csv.DictWriter(file, SHEET)
        table.writeheader()
        table.writerows(rows)
    with pytest.raises(Problem, match=words) as caught:
        load_study(study)
    assert "line 3" in caught.value.source


def test_what_is_wrong_before_planning(tmp_path, study):
    with pytest.raises(Problem, match="holds a study already"):
        lay_out(Plan(4), films(), {}, study)
    with pytest.raises(Problem, match="too few"):
        lay_out(Plan(4), films(3), {}, tmp_path / "t")
    with pytest.raises(Problem, match="no such design"):
        Plan(1)
    with pytest.raises(Problem, match="no answers yet"):
        load_study(study)
    with pytest.raises(Problem, match="cannot be read"):
        opened(tmp_path / "nowhere")
    (tmp_path / "t.csv").write_text("film;rotation_deg;tilt_deg\na.dcm;3;-1\n")
    assert truth_of(tmp_path / "t.csv") == {"a.dcm": (3.0, -1.0)}
    (tmp_path / "t.csv").write_text("film,rotation_deg\na.dcm,3\n")
    with pytest.raises(Problem, match="no column tilt_deg"):
        truth_of(tmp_path / "t.csv")
    (tmp_path / "t.csv").write_text("film,rotation_deg,tilt_deg\na.dcm,x,1\n")
    with pytest.raises(Problem, match="line 2"):
        truth_of(tmp_path / "t.csv")


# ---- analysis ----------------------------------------------------------------------------------


def made(arms=2, gain=-1.5, learners=24, count=6, seed=0):
    """Answers by a known law: learner 1.0, film 0.6, chance 1.2 (standard deviations)."""
    rng = np.random.default_rng(seed)
    hard = rng.normal(0, 0.6, 2 * count)
    rows = []
    for k in range(learners):
        arm = "taught" if arms == 1 or k % 2 == 0 else "waiting"
        skill, swap = rng.normal(0, 1.0), (k // 2) % 2
        for occasion, which in (("before", swap), ("after", 1 - swap)):
            for j in range(count):
                film = count * which + j
                value = 5 + skill + hard[film] + rng.normal(0, 1.2)
                value += gain if occasion == "after" and arm == "taught" else 0.0
                rows.append(Answer(f"L{k:02d}", arm, occasion, str(film), j + 1, value))
    return Study("error", True, arms, tuple(rows), ())


@pytest.mark.parametrize("arms", [1, 2])
def test_the_mixed_model_finds_the_law_and_says_how_surely(arms):
    pytest.importorskip("statsmodels")
    held = 0
    for seed in range(2):
        (one,) = mixed(made(arms, seed=seed))
        assert one.value == pytest.approx(-1.5, abs=0.9)
        held += one.low <= -1.5 <= one.high
    assert held >= 1
    (nothing,) = mixed(made(arms, gain=0.0))
    assert nothing.p > 0.01


def test_the_t_tests_are_scipys_on_the_learners_means():
    study = made()
    each = means(study.answers)
    pairs = {
        a: np.array([(b, e) for arm, b, e in each.values() if arm == a])
        for a in ("taught", "waiting")
    }
    found = {(one.name, one.method): one for one in effects(study)}
    taught = found["change of those taught", "paired t test"]
    own = stats.ttest_1samp(pairs["taught"][:, 1] - pairs["taught"][:, 0], 0.0)
    assert (taught.n, taught.p) == (12, pytest.approx(own.pvalue))
    assert (taught.low, taught.high) == pytest.approx(tuple(own.confidence_interval()))
    added = found["what teaching added", "t test of the changes (Welch)"]
    own = stats.ttest_ind(pairs["taught"] @ [-1, 1], pairs["waiting"] @ [-1, 1], equal_var=False)
    assert added.p == pytest.approx(own.pvalue)
    assert added.low <= added.value <= added.high


def test_too_few_learners_get_no_test():
    for one in effects(made(learners=4)):
        assert one.value is None
        assert "fewer than 3" in one.note
    same = Study(
        "error",
        False,
        1,
        tuple(
            Answer(f"L{k}", "taught", occasion, "f", 1, value)
            for k in range(4)
            for occasion, value in (("before", 3.0), ("after", 2.0))
        ),
        (),
    )
    t = next(one for one in effects(same) if one.method == "paired t test")
    assert t.value == pytest.approx(-1.0)
    assert t.p is None


def test_from_the_sheets_to_the_page(study, tmp_path):
    """Invented answers: the page says so, and the estimate is the law's."""
    pytest.importorskip("statsmodels")
    answer(study)
    (study / "answers" / "L05.csv").unlink()
    loaded = load_study(study)
    assert loaded.gaps == ("L05: no sheet",)
    found = write_study(loaded, tmp_path)
    assert found[0].low <= TAUGHT_DEG - WAITING_DEG + 0.6
    page = (tmp_path / "study.html").read_text()
    assert "L05: no sheet" in page
    assert "INVENTED DATA" in page
    assert "fewer exposures" in page
    rows = list(csv.DictReader((tmp_path / "study.csv").open()))
    assert rows[0]["method"].startswith("mixed model")
    assert json.loads((study / "plan.json").read_text())["invented"] is True


def test_one_damaged_film_is_a_row_and_the_rest_is_planned(tmp_path, capsys):
    shown = films(5)
    for name, film in shown:
        path = tmp_path / "films" / name.replace(".dcm", ".png")
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(picture_of(film))
    cut = tmp_path / "films" / "cut.png"
    cut.write_bytes(picture_of(shown[0][1])[:60])
    (tmp_path / "t.csv").write_text("film,rotation_deg,tilt_deg\ncut.png,1,2\n")
    out = tmp_path / "s"
    words = ["--learners", "4", "--truth", str(tmp_path / "t.csv"), "--out", str(out)]
    assert main(["study", "plan", str(tmp_path / "films"), *words]) == 1
    assert f"left out: {cut}" in capsys.readouterr().out
    rows = rows_of(out / "key" / "problems.csv", ("source", "what", "do"))
    assert [row["source"] for row in rows] == [str(cut)]
    assert opened(out)[0]["films_in_each_set"] == 2
    assert main(["study", "plan", str(cut), *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1

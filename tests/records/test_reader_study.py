"""The table of a reader study: from decisions in a store to numbers that can be checked by hand."""

from __future__ import annotations

import copy
import csv
from pathlib import Path

import numpy as np
import pytest
from store_cases import KEY, moved, reading_row, with_verdict

from pipeline.cli import main
from pipeline.records.agreement import icc, kappa_of_table, limits_of_agreement
from pipeline.records.reader_study import COLUMNS, Statistic, as_csv, reader_agreement
from pipeline.records.store import Store

ANNA = [1.0, -2.0, 6.0, 3.5, -7.0, 0.5, 2.0, 4.0]
BEN = [1.5, -1.0, 4.0, 3.0, -8.5, 1.0, 2.5, 7.0]
PROGRAM = [1.2, -1.0, 5.0, 3.0, -6.0, 0.0, 2.5, 6.0]


def verdict(angle: float) -> str:
    return "yes" if abs(angle) < 3.2 else "no" if abs(angle) > 5.5 else "cannot tell"


def study(store: Store) -> None:
    """Eight AP films read by two people, a ninth that one of them rejects, a lateral, and one
    film that only one person has read."""
    for n, (program, anna, ben) in enumerate(zip(PROGRAM, ANNA, BEN, strict=True)):
        row = reading_row(n, rotation=program, square=verdict(program))
        id = store.add_reading(row)
        original = store.reading(id).original
        for who, role, angle in (("Anna", "first", anna), ("Ben", "second", ben)):
            final = with_verdict(original, verdict(angle), angle)
            if role == "second" and n < 4:
                final = moved(final, notch_apex=128.0)  # 3 px of a box 300 px wide: 1 %
            give(store, id, who, role, "accept_with_changes", final=final)
    rejected = store.add_reading(reading_row(20))
    give(store, rejected, "Anna", "first", "accept")
    give(store, rejected, "Ben", "second", "reject", reason="blurred")
    lateral = store.add_reading(reading_row(21, view="lateral"))
    give(store, lateral, "Anna", "first", "accept")
    give(store, lateral, "Ben", "second", "accept")
    give(store, store.add_reading(reading_row(22)), "Anna", "first", "accept")


def give(store: Store, id: int, who: str, role: str, kind: str, **more: object) -> None:
    revision = store.reading(id, who, role).revision
    store.decide(id, expected_revision=revision, kind=kind, reviewer=who, role=role, **more)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = Store.open(str(tmp_path / "store.sqlite"), KEY)
    study(opened)
    return opened


@pytest.fixture
def table(store: Store) -> list[Statistic]:
    return reader_agreement(store.double_readings())


def one(table: list[Statistic], quantity: str, statistic: str, **more: str) -> Statistic:
    wanted = {"compared": "first and second", **more}
    (found,) = [
        row
        for row in table
        if (row.quantity, row.statistic) == (quantity, statistic)
        and all(getattr(row, name) == value for name, value in wanted.items())
    ]
    return found


def test_angles_are_compared_film_by_film(table: list[Statistic]) -> None:
    a, b = np.array(ANNA), np.array(BEN)
    bias = one(table, "rotation_deg", "bias", view="AP")
    limits = limits_of_agreement(a, b)
    assert bias.n == 8
    assert bias.value == pytest.approx((a - b).mean(), abs=1e-5)
    assert (bias.low, bias.high) == pytest.approx((limits.bias_low, limits.bias_high), abs=1e-5)
    forms = icc(np.column_stack([a, b]))
    for name, form in (("ICC(2,1)", "ICC(2,1)"), ("ICC(3,2)", "ICC(3,k)")):
        assert one(table, "rotation_deg", name).value == pytest.approx(forms[form].value, abs=1e-5)
    mine = one(table, "rotation_deg", "bias", compared="program and first")
    # The ninth film counts here: Anna accepted the program's 1.5.
    assert mine.n == 9
    assert mine.value == pytest.approx(np.mean([*(np.array(PROGRAM) - a), 0.0]), abs=1e-5)


def test_verdicts_are_compared_by_kappa(table: list[Statistic]) -> None:
    order = ("no", "cannot tell", "yes")
    counts = np.zeros((3, 3))
    for a, b in zip(ANNA, BEN, strict=True):
        counts[order.index(verdict(a)), order.index(verdict(b))] += 1
    counts[2, 2] += 1  # the lateral film
    assert one(table, "verdict", "kappa").value == pytest.approx(
        kappa_of_table(counts).value, abs=1e-5
    )
    assert one(table, "verdict", "linear weighted kappa").value == pytest.approx(
        kappa_of_table(counts, "linear").value, abs=1e-5
    )
    assert one(table, "verdict", "agreed, %").value == pytest.approx(
        100 * np.trace(counts) / counts.sum(), abs=1e-3
    )


def test_a_rejection_counts_as_a_decision_only(table: list[Statistic]) -> None:
    decision = one(table, "decision", "agreed, %")
    assert (decision.n, decision.value) == (10, 90.0)
    assert one(table, "verdict", "kappa").n == 9


def test_landmarks_are_compared_in_shares_of_the_knee(table: list[Statistic]) -> None:
    names = len(reading_row()["landmarks"])
    found = one(table, "landmarks", "mean distance, % of box width", view="AP")
    assert found.n == 8 * names
    assert found.value == pytest.approx(4 * 1.0 / (8 * names), abs=1e-5)


def test_a_landmark_that_one_reader_does_not_see_is_counted(tmp_path: Path) -> None:
    with Store.open(str(tmp_path / "other.sqlite"), KEY) as store:
        id = store.add_reading(reading_row())
        original = store.reading(id).original
        final = copy.deepcopy(original)
        final["landmarks"][0].update(x=None, y=None, seen=False)
        give(store, id, "Anna", "first", "accept")
        give(store, id, "Ben", "second", "accept_with_changes", final=final)
        table = reader_agreement(store.double_readings())
    only = one(table, "landmarks", "seen by one only, %")
    assert only.value == pytest.approx(100 / len(original["landmarks"]), abs=1e-4)


def test_too_few_films_give_no_numbers(tmp_path: Path) -> None:
    assert reader_agreement([]) == []


def test_the_command_prints_and_writes_the_table(
    store: Store,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("SQUAREON_STORE_KEY", KEY.decode())
    out = tmp_path / "agreement.csv"
    assert main(["agreement", str(tmp_path), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("10 readings given twice; ")
    assert "first and second: rotation_deg, AP (n = 8)" in said
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    table = reader_agreement(store.double_readings())
    assert len(rows) == len(table)
    assert out.read_text() == as_csv(table)
    bias = next(row for row in rows if row["statistic"] == "bias")
    assert float(bias["value"]) == pytest.approx(np.mean(np.array(ANNA) - BEN), abs=1e-5)

"""Reader studies against the worked examples of Shrout & Fleiss and of Bland & Altman."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from agreement_examples import JUDGES, LARGE, MINI, PRINTED

from pipeline.bench.readers import agreement_of, read_ratings, reader_report
from pipeline.knee.errors import Problem


def csv_of(path: Path, quantities: dict[str, dict[str, np.ndarray]]) -> Path:
    lines = ["subject,reader,value,quantity"]
    for quantity, readers in quantities.items():
        for reader, rounds in readers.items():
            for values in rounds:
                lines += [f"s{k},{reader},{v},{quantity}" for k, v in enumerate(values)]
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def both(tmp_path: Path) -> Path:
    judges = {f"judge {k}": scores[None] for k, scores in enumerate(JUDGES.T)}
    meters = {"large": LARGE, "mini": MINI}
    return csv_of(tmp_path / "ratings.csv", {"score": judges, "flow": meters})


def test_shrout_and_fleiss(both: Path) -> None:
    found = agreement_of(read_ratings(both)[0])["icc"]
    for form, (value, low, high) in PRINTED.items():
        one = found[form]
        assert (round(one["value"], 2), round(one["low"], 2), round(one["high"], 2)) == (
            value,
            low,
            high,
        )


def test_against_pingouin(both: Path) -> None:
    pingouin = pytest.importorskip("pingouin")
    import pandas

    rows = [{"subject": s, "judge": j, "value": JUDGES[s, j]} for s in range(6) for j in range(4)]
    theirs = pingouin.intraclass_corr(pandas.DataFrame(rows), "subject", "judge", "value")
    found = agreement_of(read_ratings(both)[0])["icc"]
    np.testing.assert_allclose(
        sorted(one["value"] for one in found.values()), sorted(theirs["ICC"]), atol=1e-6
    )


def test_bland_and_altman(both: Path) -> None:
    """Printed: bias -2.1, SD 38.8, interval of the bias -22.0 to 17.8, coefficients of
    repeatability 43.2 and 56.4 (paper's rounding; 43.29 and 56.32 from the data)."""
    found = agreement_of(read_ratings(both)[1])
    limits = found["limits"]["large minus mini"]
    assert limits["bias"] == pytest.approx(-2.1176, abs=1e-3)
    assert limits["sd"] == pytest.approx(38.7651, abs=1e-3)
    assert limits["bias_low"] == pytest.approx(-22.05, abs=0.01)
    assert limits["lower"] == pytest.approx(-78.097, abs=1e-2)
    assert found["repeated"]["large"]["repeatability"] == pytest.approx(43.29, abs=0.01)
    assert found["repeated"]["mini"]["within_subject_sd"] == pytest.approx(19.911, abs=0.001)


def test_the_page_has_every_pair(both: Path, tmp_path: Path) -> None:
    text = reader_report(both, tmp_path / "out")
    assert text.count("ICC(") == 12
    page = (tmp_path / "out" / "report.html").read_text()
    assert page.count("bands") == 7  # six pairs of judges, one of meters
    results = json.loads((tmp_path / "out" / "results.json").read_text())
    assert [one["quantity"] for one in results] == ["score", "flow"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("subject,reader\n", "no column value"),
        ("subject,reader,value\na,x,1\na,y,z\n", "row 2"),
        ("subject,reader,value\na,x,1\nb,x,1\n", "2 readers and 3 subjects"),
        ("subject,reader,value\n", "no ratings"),
    ],
)
def test_ratings_that_are_wrong(text: str, match: str, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(text)
    with pytest.raises(Problem, match=match):
        read_ratings(path)

"""Bad input of every command: one sentence that names it, no traceback, nothing made."""

from __future__ import annotations

from pathlib import Path

import pytest
from store_cases import reading_row

from pipeline.cli import main
from pipeline.records.store import Store

CASES = (
    "agreement nope",
    "agreement empty",
    "agreement words.txt",
    "archive nope --store s.sqlite",
    "archive empty --store s.sqlite",
    "archive words.txt --store empty",
    "archive words.txt --store words.txt",
    "archive words.txt --store words.txt/s.sqlite",
    "archive words.txt --store s.sqlite --problems words.txt/p.csv",
    "assess --out words.txt/out films=2",
    "audit nope --out out",
    "audit empty --out out",
    "audit kept --out words.txt",
    "bench check nope.csv",
    "bench check empty",
    "bench readers nope.csv --out out",
    "bench --out words.txt/out films=2 suites=[clean]",
    "calibrate --out words.txt/out",
    "copy nope out.sqlite",
    "copy kept words.txt/s.sqlite",
    "demo --out words.txt",
    "drift kept --out out baseline=then",
    "drift kept --out words.txt",
    "export nope out",
    "export kept words.txt unreviewed=true what=[tables]",
    "facts kept --rejected nope",
    "facts kept --table words.txt",
    "find kept --limit -1",
    "find kept --out words.txt/found.csv",
    "loop --out words.txt/out",
    "practise out --check --set nope.yaml",
    "practise words.txt/out --no-browser port=0",
    "read nope --out out",
    "read empty --out out",
    "read empty --out out align=",
    "read empty --out out workers={",
    "read words.txt --out words.txt",
    "receive words.txt senders=[A@127.0.0.1]",
    "report nope out",
    "report kept words.txt unreviewed=true",
    "review empty --no-browser",
    "study plan empty --out out --learners 4",
    "study plan words.txt --out out --learners 4",
    "study analyse nope",
    "synth --out out films=0",
    "verify words.txt",
    "verify kept --contains zz",
)


@pytest.mark.parametrize("words", CASES)
def test_it_is_said_in_one_sentence(
    words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("empty").mkdir()
    Path("words.txt").write_text("only words\n")
    with Store.open("kept/store.sqlite") as store:
        store.add_readings([reading_row(number) for number in range(2)])
    before = set(Path().rglob("*"))
    assert main(words.split()) in (2, 3)
    said = capsys.readouterr()
    lines = said.err.strip().splitlines()
    assert len(lines) == 1, said
    assert lines[0].startswith("squareon: ")
    assert lines[0].endswith(".")
    for foreign in ("Errno", "Traceback", "Error("):
        assert foreign not in lines[0]
    assert not [path for path in set(Path().rglob("*")) - before if path.is_file()]

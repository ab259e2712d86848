"""Who may talk to the server, what it lets a browser do, and that its page needs nobody else."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from review_house import RAMP, House, copied, id_of, ramp, review_settings, serving

from pipeline.knee.errors import Problem
from pipeline.records.store import Store, open_store
from pipeline.review.app import PAGE
from pipeline.review.guard import host_names
from pipeline.review.serve import listen

NO = {"X-Squareon-Token": None}


@pytest.fixture(scope="module")
def house(results: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    folder = copied(results, tmp_path_factory.mktemp("server"))
    with open_store(str(folder)) as store, serving(store) as running:
        yield running


def test_the_page_and_its_files_need_no_token(house: House) -> None:
    page = house.call("/", headers=NO)
    assert page.status == 200
    assert f'content="{house.token}"' in page.body.decode()
    for file in PAGE.iterdir():
        answer = house.call(f"/page/{file.name}", headers=NO)
        assert answer.status == 200
        if file.suffix == ".js":
            assert "javascript" in answer.headers["content-type"]


@pytest.mark.parametrize("path", ["/", "/page/app.js", "/api/start", "/api/nothing", "/nothing"])
def test_every_answer_carries_the_policy(house: House, path: str) -> None:
    for headers in ({}, NO, {"Host": "elsewhere.example"}):
        policy = house.call(path, headers=headers).headers["content-security-policy"]
        rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
        assert rules["default-src"] == "'none'"
        assert rules["script-src"] == rules["style-src"] == rules["connect-src"] == "'self'"
        assert rules["frame-ancestors"] == rules["form-action"] == rules["base-uri"] == "'none'"
        assert rules["require-trusted-types-for"] == "'script'"
        assert "unsafe" not in policy


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"X-Squareon-Token": None}, 401),
        ({"X-Squareon-Token": "guess"}, 401),
        ({"X-Squareon-Token": "gü"}, 401),
        ({"Host": "evil.example"}, 421),
        ({"Host": "evil.example:80"}, 421),
        ({"Host": ""}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
    ],
)
def test_who_may_look(house: House, headers: dict[str, Any], status: int) -> None:
    assert house.call("/api/worklist", headers=headers).status == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"X-Squareon-Token": "guess"}, 401),
        ({"Origin": None}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Host": "evil.example"}, 421),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_who_may_change(house: House, headers: dict[str, Any], status: int) -> None:
    assert house.store is not None
    id = id_of(house.store, RAMP)
    for path, body in (
        (f"/api/recompute/{id}", {"changes": {}}),
        (f"/api/tag/{id}", {"tag": "seen"}),
    ):
        assert house.call(path, body, headers=headers).status == status


def test_other_methods_and_large_bodies_are_turned_away(house: House) -> None:
    big = b'{"changes": {"landmarks": {}}, "x": "' + b"y" * 1_100_000 + b'"}'
    with contextlib.suppress(OSError):  # the server may answer and close before all was sent
        assert house.call("/api/recompute/1", big).status == 413
    for method in ("PUT", "DELETE", "PATCH"):
        assert house.call("/api/worklist", {}, method=method).status == 405
    for path in ("/docs", "/openapi.json", "/redoc"):
        assert house.call(path).status == 404


@pytest.mark.parametrize(
    "path",
    ["/page/../desk.py", "/page/%2e%2e/desk.py", "/page/..%2f..%2f..%2fpyproject.toml", "/page//"],
)
def test_no_other_file_is_served(house: House, path: str) -> None:
    answer = house.call(path)
    assert answer.status in (404, 405)
    assert b"import" not in answer.body


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"changes": {"elbow": 1}}, 422),
        ({"changes": {}, "more": 1}, 422),
        ({"changes": []}, 422),
        (b"{", 422),
        (b"\xff\xfe", 422),
    ],
)
def test_bad_bodies(house: House, body: Any, status: int) -> None:
    assert house.call("/api/recompute/1", body).status == status


def test_what_is_not_there_is_said_in_a_sentence(house: House) -> None:
    for path in ("/api/reading/999", "/api/film/999", "/api/series/999"):
        answer = house.call(path)
        assert answer.status == 422
        assert answer.json["what"] == "is not in the store"
    assert house.call("/api/worklist", role="king").status == 422


def test_the_film_comes_with_all_its_levels(house: House) -> None:
    """A 16-bit picture that uses the whole range comes as it is, to half a level."""
    assert house.store is not None
    answer = house.call(f"/api/film/{id_of(house.store, RAMP)}")
    rows, columns = int(answer.headers["x-rows"]), int(answer.headers["x-columns"])
    levels = np.frombuffer(answer.body, "<u2").reshape(rows, columns).astype(int)
    assert np.abs(levels - ramp().astype(int)).max() <= 1
    assert answer.headers["cache-control"] == "no-store"


def test_paths_of_the_machine_stay_inside(house: House, results: Path) -> None:
    """A sentence about a film names its folder and file, not the way there."""
    assert house.store is not None
    film = results.parent / "films" / "series" / "shot-3.dcm"
    kept = film.read_bytes()
    film.unlink()
    try:
        answer = house.call(f"/api/film/{id_of(house.store, 'shot-3.dcm')}")
    finally:
        film.write_bytes(kept)
    assert answer.status == 422
    assert answer.json["source"] == "series/shot-3.dcm"
    assert "gone" in answer.json["what"]


# ---- the page's own files ------------------------------------------------------------------------


def test_the_page_calls_nobody_else() -> None:
    for file in PAGE.iterdir():
        text = file.read_text()
        foreign = set(re.findall(r"(?:https?:)?//[\w.-]+\.\w+", text)) - {"http://www.w3.org"}
        assert not foreign, (file.name, foreign)
        for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
            assert word not in text, (file.name, word)
        assert not re.search(r"@import|url\((?!\"#)", text), file.name
    index = (PAGE / "index.html").read_text()
    assert not re.search(r"\son\w+=|<script(?![^>]*src=)|\sstyle=", index)
    assert "not for guidance" in index


def test_every_file_of_the_page_is_packaged_and_used() -> None:
    import tomllib

    config = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
    packaged = config["tool"]["setuptools"]["package-data"]["*"]
    texts = {file.name: file.read_text() for file in PAGE.iterdir()}
    for name in texts:
        assert f"**/*{Path(name).suffix}" in packaged
        others = "".join(text for other, text in texts.items() if other != name)
        assert name == "index.html" or name in others, f"{name} is dead"


# ---- settings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"host": "192.0.2.7"}, "other computers"),
        ({"host": "0.0.0.0"}, "other computers"),
        ({"host": "0.0.0.0", "token": "new"}, "by which names"),
        ({"token": "short"}, "shorter than 16"),
        ({"port": 70000}, "no port"),
        ({"port": -1}, "no port"),
    ],
)
def test_unsafe_settings_are_refused(changes: dict[str, Any], word: str) -> None:
    with pytest.raises(Problem, match=word):
        review_settings(**changes)


def test_host_names() -> None:
    assert host_names("127.0.0.1", 81) == {"127.0.0.1:81", "localhost:81", "[::1]:81"}
    assert host_names("::1", 81) == host_names("localhost", 81)
    assert host_names("192.0.2.7", 81, ("films.example:81",)) == {
        "192.0.2.7:81",
        "films.example:81",
    }
    assert "192.0.2.7" in host_names("192.0.2.7", 80)


def test_a_token_of_ones_own_is_not_handed_out(store: Store) -> None:
    with serving(store, token="x" * 24) as house:
        page = house.call("/", headers=NO)
        assert 'content=""' in page.body.decode()
        assert "x" * 24 not in page.body.decode()
        assert house.token == "x" * 24
        assert house.call("/api/start").status == 200


def test_a_taken_port_is_said() -> None:
    first = listen("127.0.0.1", 0)
    first.listen()
    with pytest.raises(Problem, match="in use"):
        listen("127.0.0.1", first.getsockname()[1])
    first.close()

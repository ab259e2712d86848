"""A small archive of invented films, its readings and a review server, for tests of the page."""

from __future__ import annotations

import contextlib
import copy
import json
import os
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pydicom
from loopback import in_thread

from pipeline.batch import ReadSettings, parts_of, read_batch, readers_of
from pipeline.cli import compose
from pipeline.demo import PLAIN, Shot, write_shot
from pipeline.records.store import Store
from pipeline.registry import build
from pipeline.review.desk import Desk
from pipeline.review.films import FilmRoom
from pipeline.review.serve import build as build_app
from pipeline.review.serve import listen
from pipeline.review.settings import ReviewSettings

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def _shot(file: str, study: str, seed: int, view: str, rotation: float, tilt: float) -> Shot:
    options = {
        **PLAIN,
        "styles": ("radiography",),
        "views": (view,),
        "knee_seed": 9019,
        "side": "right",
        "rotation_deg": rotation,
        "tilt_deg": tilt,
    }
    return Shot(file, study, seed, options)


PAIR = (
    _shot("pair/AP.dcm", "pair", 9111, "AP", 3.0, -2.0),
    _shot("pair/lateral.dcm", "pair", 9122, "lateral", -1.0, 1.0),
)
SERIES = tuple(
    _shot(f"series/shot-{number}.dcm", "series", 9111, "AP", rotation, 0.0)
    for number, rotation in enumerate((11.0, 7.0, 0.5), start=1)
)
DOSE = {"series/shot-1.dcm": 1.2, "series/shot-2.dcm": 1.1, "series/shot-3.dcm": 1.3}
"""dGy cm2, invented."""
RAMP = "ramp.png"


def ramp() -> np.ndarray:
    """(700, 900) uint16: all grey levels from 0 to 65535, none of it a knee."""
    y, x = np.mgrid[0:700, 0:900]
    grey = (x / 899 * 0.7 + y / 699 * 0.3) * 65535
    rng = np.random.default_rng(5)
    noisy = np.clip(grey + rng.normal(0, 900, grey.shape), 0, 65535)
    noisy[0, 0], noisy[-1, -1] = 0, 65535
    return noisy.astype(np.uint16)


def make_results(folder: Path) -> Path:
    """Films under `folder/films`, read into `folder/results`."""
    films, results = folder / "films", folder / "results"
    for number, shot in enumerate((*PAIR, *SERIES), start=1):
        scenario: Any = build("scenario", "knee_films", shot.options)
        path = films / shot.file
        write_shot(path, shot, scenario.make(shot.seed), number)
        if shot.file in DOSE:
            data = pydicom.dcmread(path)
            data.ImageAndFluoroscopyAreaDoseProduct = str(DOSE[shot.file])
            data.KVP = "70"
            data.save_as(path)
    cv2.imwrite(str(films / RAMP), ramp())
    settings = compose("read", ReadSettings, ["writer=tables", "workers=1"])
    read_batch([films], results, ReadSettings(**settings))
    return results


def review_settings(**changes: Any) -> ReviewSettings:
    words = ["writer=tables", "port=0"]
    return ReviewSettings(**{**compose("review", ReviewSettings, words), **changes})


_parts: list[Any] = []


def desk_of(store: Store) -> Desk:
    """A desk with the shipped detector; its networks are loaded once."""
    if not _parts:
        settings = review_settings().read()
        _parts.append((parts_of(settings, 1), readers_of(settings)))
    parts, readers = _parts[0]
    return Desk(store, FilmRoom(readers, parts.detector), parts)


def copied(results: Path, to: Path) -> Path:
    """A copy of the results without a store, beside the same films."""
    target = to / "results"
    shutil.copytree(results, target, ignore=shutil.ignore_patterns("store.sqlite*"))
    return target


def id_of(store: Store, name: str) -> int:
    """The number of the reading whose film's path ends with `name`."""
    return next(row.id for row in store.readings() if row.source.endswith(name))


# ---- servers -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class House:
    """A running review server."""

    address: str
    token: str
    store: Store | None = None

    def call(
        self,
        path: str,
        body: Any = None,
        *,
        who: str = "Ada Example",
        role: str = "first",
        headers: Mapping[str, str | None] | None = None,
        method: str | None = None,
    ) -> Answer:
        """One call as the page makes it; `headers` replace or (None) leave out its own."""
        words: dict[str, str | None] = {
            "X-Squareon-Token": self.token,
            "X-Squareon-Reviewer": who.replace(" ", "%20"),
            "X-Squareon-Role": role,
        }
        data = None
        if body is not None:
            data = body if isinstance(body, bytes) else json.dumps(body).encode()
            words |= {"Content-Type": "application/json", "Origin": self.address.rstrip("/")}
        words |= headers or {}
        request = urllib.request.Request(
            self.address.rstrip("/") + path,
            data=data,
            headers={key: value for key, value in words.items() if value is not None},
            method=method,
        )
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return Answer(answer.status, _lower(answer.headers), answer.read())
        except urllib.error.HTTPError as error:
            return Answer(error.code, _lower(error.headers), error.read())


def _lower(headers: Any) -> dict[str, str]:
    return {key.lower(): value for key, value in headers.items()}


@contextlib.contextmanager
def serving(store: Store, **changes: Any) -> Iterator[House]:
    """A review server of this store in a thread of this process."""
    settings = review_settings(**changes)
    desk = desk_of(store)
    made = listen(settings.host, settings.port)
    guard, address, token = build_app(store, settings, made.getsockname()[1], desk)
    with in_thread(guard, made):
        yield House(address.partition("#")[0], token, store)


def start_process(target: Path, port: int, code: str = "") -> subprocess.Popen[str]:
    """`squareon review` in a process of its own; `code` runs before it (to break it)."""
    words = ["review", str(target), "--no-browser", f"port={port}", "writer=tables"]
    script = f"{code}\nimport sys\nfrom pipeline.cli import main\nsys.exit(main({words!r}))"
    return subprocess.Popen(
        [sys.executable, "-c", script],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def wait_until_up(process: subprocess.Popen[str], port: int) -> None:
    deadline = time.monotonic() + 300
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise AssertionError(process.stdout.read() if process.stdout else "ended")
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2).read()
            return
        except OSError:
            time.sleep(0.1)
    raise AssertionError("the server did not start")


# ---- many readings -----------------------------------------------------------------------------


def many_readings(row: Mapping[str, Any], count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """`count` readings like `row` with other films and angles; their films do not exist."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        made = copy.deepcopy(dict(row))
        made["film"] |= {
            "source": f"/invented/archive-{number // 100:03d}/film-{number:05d}.dcm",
            "sha256": f"{number:064x}",
        }
        share = float(rng.uniform(0, 1))
        rotation, tilt = (float(v) for v in rng.normal(0, 6, 2))
        width = float(rng.uniform(1, 9))
        made["alignment"] |= {
            "rotation_deg": rotation,
            "tilt_deg": tilt,
            "rotation_90": [rotation - width, rotation + width],
            "tilt_90": [tilt - width, tilt + width],
            "square_probability": share,
            "square": "yes" if share >= 0.8 else "no" if share <= 0.2 else "cannot tell",
        }
        made["side"]["name"] = "left" if number % 3 else "right"
        yield made

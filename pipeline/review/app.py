"""The review server's routes: FastAPI over a `Desk`, static files, plain JSON errors."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Annotated, Any

from fastapi import FastAPI, Header, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from pipeline.knee.errors import Problem
from pipeline.records.overlay import CAUTION
from pipeline.records.store import Conflict
from pipeline.review.changes import Changes, changes_between, changes_of
from pipeline.review.desk import Desk, Viewer
from pipeline.review.door import MEMORY, PAGE, PageFiles, index_of, told
from pipeline.review.footprints import kinds
from pipeline.review.guard import Guard


class _Call(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class RecomputeCall(_Call):
    """Body of /api/recompute."""

    changes: dict[str, Any]


class FootprintCall(_Call):
    """Body of /api/footprints: as `RecomputeCall`, what is drawn, and points behind tips."""

    changes: dict[str, Any]
    lesion: dict[str, Any]
    behind: dict[str, Any] = Field(default_factory=dict)


class DecideCall(_Call):
    """Body of /api/decide."""

    expected_revision: int
    kind: str = Field(max_length=40)
    changes: dict[str, Any]
    reason: str = Field("", max_length=4000)


class TagCall(_Call):
    """Body of /api/tag."""

    tag: str = Field(min_length=1, max_length=60)
    remove: bool = False


@dataclass(frozen=True)
class Facts:
    """What the page is told at the start.

    Attributes:
        store: the store's address as it may be shown.
        reviewers: names to choose from; empty = any name.
        note: words to show at the top, e.g. that the films are invented.
        tolerance_deg: of the verdict.
    """

    store: str
    reviewers: Sequence[str] = ()
    note: str = ""
    tolerance_deg: float = 5.0


def create_app(
    desk: Desk, facts: Facts, token: str, hosts: frozenset[str], hand_out: bool
) -> Guard:
    """The guarded application.

    Args:
        hand_out: whether the page itself brings the token along (on loopback); otherwise it
            comes with the printed address.
    """
    app = FastAPI(title="Squareon review", docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/page", PageFiles(directory=PAGE), name="page")
    _errors(app)
    _look(app, desk, facts, token if hand_out else "")
    _change(app, desk)
    return Guard(app, token, hosts)


ViewerName = Annotated[str, Header(alias="x-squareon-reviewer", max_length=400)]
ViewerRole = Annotated[str, Header(alias="x-squareon-role", max_length=20)]


def _viewer(name: str, role: str) -> Viewer:
    from urllib.parse import unquote

    return Viewer(" ".join(unquote(name).split())[:120], role)


def _errors(app: FastAPI) -> None:
    @app.exception_handler(Conflict)
    def conflict(request: Request, error: Conflict) -> JSONResponse:
        now = error.current
        changes = changes_between(now.original, now.current)
        last = next((e for e in reversed(now.history) if e.outcome or e.kind == "reopen"), None)
        theirs = {
            "revision": now.revision,
            "state": now.state,
            "blinded": now.blinded,
            "current": now.current,
            "changes": changes.as_dict(),
            "who": "" if last is None else last.who,
            "kind": "" if last is None else (last.outcome or last.kind),
            "reason": "" if last is None else last.reason,
            "at": "" if last is None else last.at,
        }
        return JSONResponse({**told(error), "theirs": theirs}, 409)

    @app.exception_handler(Problem)
    def problem(request: Request, error: Problem) -> JSONResponse:
        return JSONResponse(told(error), 422)


def _look(app: FastAPI, desk: Desk, facts: Facts, token: str) -> None:
    index = index_of(PAGE, token)

    @app.get("/")
    def page() -> HTMLResponse:
        return HTMLResponse(index, headers=MEMORY)

    @app.get("/api/start")
    def start() -> dict[str, Any]:
        return {
            "version": version("squareon"),
            "store": facts.store,
            "reviewers": list(facts.reviewers),
            "note": facts.note,
            "caution": CAUTION,
            "tolerance_deg": facts.tolerance_deg,
            "weights": desk.parts.made_by.weights,
            "lesions": kinds(),
        }

    @app.get("/api/worklist")
    def worklist(name: ViewerName = "", role: ViewerRole = "first") -> JSONResponse:
        viewer = _viewer(name, role)
        return JSONResponse(
            {
                "rows": desk.worklist(viewer),
                "progress": desk.store.progress(),
                "tags": desk.store.tag_names(),
            }
        )

    @app.get("/api/reading/{id}")
    def reading(id: int, name: ViewerName = "", role: ViewerRole = "first") -> JSONResponse:
        return JSONResponse(desk.describe(id, _viewer(name, role)))

    @app.get("/api/film/{id}")
    def film(id: int, name: ViewerName = "", role: ViewerRole = "first") -> Response:
        stored = desk.stored(id, _viewer(name, role))
        opened = desk.room.open(desk.film_path(stored), stored.original)
        levels = opened.levels()
        headers = {
            "x-rows": str(levels.shape[0]),
            "x-columns": str(levels.shape[1]),
            "x-format": "uint16 little endian, row after row, bright = dense",
        }
        return Response(levels.tobytes(), media_type="application/octet-stream", headers=headers)

    @app.get("/api/series/{id}")
    def series(id: int, name: ViewerName = "", role: ViewerRole = "first") -> JSONResponse:
        return JSONResponse(desk.series(id, _viewer(name, role)))


def _change(app: FastAPI, desk: Desk) -> None:
    @app.post("/api/recompute/{id}")
    def recompute(
        id: int, call: RecomputeCall, name: ViewerName = "", role: ViewerRole = "first"
    ) -> JSONResponse:
        began = time.perf_counter()
        found = desk.recompute(id, changes_of(call.changes), _viewer(name, role))
        spent = 1000.0 * (time.perf_counter() - began)
        return JSONResponse(found, headers={"server-timing": f"recompute;dur={spent:.1f}"})

    @app.post("/api/footprints/{id}")
    def footprints(
        id: int, call: FootprintCall, name: ViewerName = "", role: ViewerRole = "first"
    ) -> JSONResponse:
        viewer = _viewer(name, role)
        return JSONResponse(
            desk.footprints(id, changes_of(call.changes), call.lesion, call.behind, viewer)
        )

    @app.post("/api/decide/{id}")
    def decide(
        id: int, call: DecideCall, name: ViewerName = "", role: ViewerRole = "first"
    ) -> JSONResponse:
        changes: Changes = changes_of(call.changes)
        found = desk.decide(
            id,
            _viewer(name, role),
            expected_revision=call.expected_revision,
            kind=call.kind,
            changes=changes,
            reason=call.reason,
        )
        return JSONResponse(found)

    @app.post("/api/tag/{id}")
    def tag(
        id: int, call: TagCall, name: ViewerName = "", role: ViewerRole = "first"
    ) -> dict[str, Any]:
        viewer = _viewer(name, role)
        if not viewer.name:
            raise Problem("tag", "a tag needs a reviewer", "say who you are")
        desk.store.tag(id, [call.tag], viewer.name, remove=call.remove)
        stored = desk.stored(id, viewer)
        return {"tags": list(stored.tags), "revision": stored.revision}

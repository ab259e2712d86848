"""The practice server's routes: FastAPI over a `Desk`, behind the review page's guard."""

from __future__ import annotations

import time
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from pipeline.knee.errors import Problem
from pipeline.language import Speech
from pipeline.language.page import page_files, spoken
from pipeline.practise.desk import Desk
from pipeline.practise.exercise import LEVELS
from pipeline.practise.rounds import NOTE, Exposure, Round, answer_of, levels_of
from pipeline.practise.table import moves_of
from pipeline.review.door import MEMORY, PAGE, Entrance, PageFiles, index_of, told
from pipeline.review.guard import Guard

OWN_PAGE = Path(__file__).parent / "page"


class _Call(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class BeginCall(_Call):
    """Body of /api/rounds."""

    learner: str = Field(max_length=200)
    code: str = Field("", max_length=80)
    level: int = 0
    view: str = Field("", max_length=10)
    group: int | None = None
    task: int = 0
    timed: bool = False


class ExposeCall(_Call):
    """Body of /api/rounds/{id}/expose."""

    answer: dict[str, Any]
    moves: dict[str, Any]


class ClaimCall(_Call):
    """Body of /api/rounds/{id}/claim."""

    answer: dict[str, Any]


class StopCall(_Call):
    """Body of /api/rounds/{id}/stop."""

    time_is_up: bool = False


def create_app(desk: Desk, way: Entrance) -> Guard:
    """The guarded application."""
    app = FastAPI(title="Squareon practice", docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/page", PageFiles(directory=PAGE), name="page")
    app.mount("/practise", PageFiles(directory=OWN_PAGE), name="practise")

    @app.exception_handler(Problem)
    def problem(request: Request, error: Problem) -> JSONResponse:
        return JSONResponse(_spoken(desk.t, told(error)), 422)

    _look(app, desk, way.token if way.hand_out else "")
    _play(app, desk)
    return Guard(app, way.token, way.hosts)


def _look(app: FastAPI, desk: Desk, token: str) -> None:
    t = desk.t
    index = spoken(t, index_of(OWN_PAGE, token), page_files(OWN_PAGE, PAGE))

    @app.get("/")
    def page() -> HTMLResponse:
        return HTMLResponse(index, headers=MEMORY)

    @app.get("/api/start")
    def start() -> dict[str, Any]:
        return {
            "version": version("squareon"),
            "advice": desk.adviser.settings is not None,
            "views": {view: t.within("view", view) for view in ("AP", "lateral")},
            "levels": [
                {
                    "number": number,
                    "name": t(level.name),
                    "about": t(level.about),
                    "tolerance_deg": level.rules.tolerance_deg,
                    "seconds": level.rules.seconds,
                }
                for number, level in LEVELS.items()
            ],
            "sets": [
                {
                    "title": group.title,
                    "about": group.about,
                    "seconds": group.rules.seconds,
                    "tasks": [{"view": t.exercise.view, "say": t.say} for t in group.tasks],
                }
                for group in desk.sets
            ],
        }

    @app.get("/api/learner")
    def learner(name: Annotated[str, Query(max_length=200)]) -> JSONResponse:
        return JSONResponse(desk.learner(name))

    @app.get("/api/rounds/{id}/solids")
    def solids(id: str) -> JSONResponse:
        return JSONResponse(desk.solids(id))

    @app.get("/api/rounds/{id}/explain/{number}")
    def explain(id: str, number: int) -> JSONResponse:
        return JSONResponse(desk.explain(id, number))

    @app.get("/api/rounds/{id}/advice/{number}")
    def advice(id: str, number: int) -> JSONResponse:
        return JSONResponse(desk.advice(id, number))


def _play(app: FastAPI, desk: Desk) -> None:
    @app.post("/api/rounds")
    def begin(call: BeginCall) -> JSONResponse:
        words = call.model_dump()
        played = desk.begin(words.pop("learner"), **words)
        say = ""
        if call.group is not None:
            say = desk.sets[call.group].tasks[call.task].say
        return JSONResponse(desk.described(played, say))

    @app.get("/api/rounds/{id}/film")
    def film(id: str) -> Response:
        played = desk.round(id)
        return _film(desk.t, played, played.last, time.perf_counter())

    @app.post("/api/rounds/{id}/expose")
    def expose(id: str, call: ExposeCall) -> Response:
        began = time.perf_counter()
        played, exposure = desk.expose(id, answer_of(call.answer), moves_of(call.moves))
        return _film(desk.t, played, exposure, began)

    @app.post("/api/rounds/{id}/claim")
    def claim(id: str, call: ClaimCall) -> JSONResponse:
        return JSONResponse(desk.claim(id, answer_of(call.answer)))

    @app.post("/api/rounds/{id}/stop")
    def stop(id: str, call: StopCall) -> JSONResponse:
        return JSONResponse(desk.stop(id, time_is_up=call.time_is_up))


def _spoken(t: Speech, told: dict[str, str]) -> dict[str, str]:
    """A sentence of what is wrong, as far as the catalogue knows its parts."""
    return {name: t.words.gettext(text) if text else "" for name, text in told.items()}


def _film(t: Speech, played: Round, exposure: Exposure, began: float) -> Response:
    """A film's grey levels; how long the server took stands in the header."""
    if exposure.film is None:
        raise Problem("film", "a newer one was taken", "load the page again")
    levels = levels_of(exposure.film, t(NOTE))
    spent = 1000.0 * (time.perf_counter() - began)
    headers = {
        "x-rows": str(levels.shape[0]),
        "x-columns": str(levels.shape[1]),
        "x-number": str(exposure.number),
        "x-format": "uint16 little endian, row after row, bright = dense",
        "server-timing": f"film;dur={spent:.1f}",
    }
    return Response(levels.tobytes(), media_type="application/octet-stream", headers=headers)

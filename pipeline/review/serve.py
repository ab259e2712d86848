"""Opens a store, builds the review server, runs it until it is interrupted."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.batch import parts_of, readers_of
from pipeline.records.store import Store
from pipeline.review.app import Facts, create_app
from pipeline.review.desk import Desk
from pipeline.review.door import entrance, listen, run
from pipeline.review.films import FilmRoom
from pipeline.review.guard import Guard
from pipeline.review.settings import ReviewSettings


def desk_of(store: Store, settings: ReviewSettings) -> Desk:
    """The desk with the stages that the settings name. Raises `Problem`."""
    read = settings.read()
    parts = parts_of(read)
    return Desk(store, FilmRoom(readers_of(read), parts.detector), parts)


def build(store: Store, settings: ReviewSettings, port: int, desk: Desk) -> tuple[Guard, str, str]:
    """The guarded application, the address to print, and the token."""
    way = entrance(settings, port)
    facts = Facts(
        store=store.url.render_as_string(hide_password=True),
        reviewers=settings.reviewers,
        note=settings.note,
        tolerance_deg=desk.parts.align.tolerance_deg,
    )
    guard = create_app(desk, facts, way.token, way.hosts, way.hand_out)
    return guard, way.address, way.token


def serve(
    store: Store,
    settings: ReviewSettings,
    *,
    say: Callable[[str], None] = print,
    browser: bool = True,
) -> None:
    """Serves until interrupted."""
    desk = desk_of(store, settings)
    made = listen(settings.host, settings.port)
    port = made.getsockname()[1]
    guard, address, _ = build(store, settings, port, desk)
    run(guard, made, settings, f"review page: {address}", say=say, browser=browser)

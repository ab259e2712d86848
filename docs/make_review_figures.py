"""Makes the pictures of the review guide: `python docs/make_review_figures.py`.

Invented films are made, read, served and looked at in Debian's chromium, driven by playwright
(test extra). The pictures are kept small: they show the page, not the pixels.
"""

from __future__ import annotations

import io
import shutil
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import uvicorn
from PIL import Image
from playwright.sync_api import Page, sync_playwright
from pydicom import dcmread

from pipeline.batch import ReadSettings, read_batch
from pipeline.cli import compose
from pipeline.demo import PLAIN, Shot, write_shot
from pipeline.records.store import open_store
from pipeline.registry import build
from pipeline.review.serve import build as guarded
from pipeline.review.serve import desk_of, listen
from pipeline.review.settings import ReviewSettings

FIGURES = Path(__file__).parent / "figures"
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
SHOTS = (
    ("series/shot-1.dcm", "AP", 9140, 12.0, 0.5),
    ("series/shot-2.dcm", "AP", 9140, 8.0, 0.5),
    ("series/shot-3.dcm", "AP", 9140, 0.5, 0.5),
    ("pair/AP.dcm", "AP", 9140, 0.5, -0.5),
    ("pair/lateral.dcm", "lateral", 9122, -1.0, 1.0),
)
DOSE = 1.2
"""dGy cm2 written into each header: invented."""


def make_films(folder: Path) -> None:
    """A study of three AP shots, and one of an AP and a lateral film, of one virtual knee."""
    for number, (file, view, seed, rotation, tilt) in enumerate(SHOTS, start=1):
        options: dict[str, Any] = {**PLAIN, "styles": ("radiography",), "views": (view,)}
        options |= {"knee_seed": 9019, "side": "right"}
        options |= {"rotation_deg": rotation, "tilt_deg": tilt}
        shot = Shot(file, file.partition("/")[0], seed, options)
        path = folder / file
        write_shot(path, shot, build("scenario", "knee_films", options).make(seed), number)
        data = dcmread(path)
        data.ImageAndFluoroscopyAreaDoseProduct = str(DOSE)
        data.save_as(path)


def saved(page: Page, name: str, width: int = 1200) -> None:
    """The page as a small JPEG."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    height = round(picture.height * width / picture.width)
    picture.resize((width, height), Image.Resampling.LANCZOS).save(
        FIGURES / name, quality=82, optimize=True
    )
    print(name, (FIGURES / name).stat().st_size // 1024, "kB")


def look(address: str, film: int, series: int) -> None:
    """Visits the page and takes the pictures."""
    with sync_playwright() as playwright:
        found = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=found, args=FLAGS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.add_init_script("localStorage.setItem('squareon reviewer', 'Ada Example')")
        page.goto(f"{address}#/film/{film}")
        page.wait_for_selector(".landmark")
        for key in ("k", "]", "]", "]", "ArrowUp", "ArrowUp"):
            page.keyboard.press(key)
        page.wait_for_selector(".landmark.own")
        page.wait_for_function("() => !document.querySelector('[aria-busy=true]')")
        saved(page, "review-film.jpg")
        page.goto(f"{address}#/series/{series}")
        page.wait_for_selector(".series")
        saved(page, "review-series.jpg")
        browser.close()


def main() -> None:
    """Makes the films, serves them and takes the pictures."""
    with tempfile.TemporaryDirectory() as temporary:
        films, results = Path(temporary) / "films", Path(temporary) / "results"
        make_films(films)
        read = compose("read", ReadSettings, ["writer=tables", "workers=1"])
        read_batch([films], results, ReadSettings(**read))
        words = ["writer=tables", "port=0", "note=INVENTED FILMS"]
        settings = ReviewSettings(**compose("review", ReviewSettings, words))
        with open_store(str(results)) as store:
            ids = {Path(row.source).name: row.id for row in store.readings()}
            made = listen(settings.host, settings.port)
            desk = desk_of(store, settings)
            app, address, _ = guarded(store, settings, made.getsockname()[1], desk)
            server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))
            thread = threading.Thread(target=server.run, kwargs={"sockets": [made]})
            thread.start()
            while not server.started:
                time.sleep(0.05)
            look(address, ids["lateral.dcm"], ids["shot-1.dcm"])
            server.should_exit = True
            thread.join()


if __name__ == "__main__":
    main()

"""Makes the pictures of the practice guide: `python docs/make_practise_figures.py`.

An exercise is played in Debian's chromium, driven by playwright (test extra), the reader at work
in the background. The pictures are kept small: they show the page, not the pixels.
"""

from __future__ import annotations

import io
import shutil
import tempfile
import threading
import time
from pathlib import Path

import uvicorn
from PIL import Image
from playwright.sync_api import Page, sync_playwright

from pipeline.cli import compose
from pipeline.practise.exercise import Exercise, code_of
from pipeline.practise.serve import build, desk_of, warm
from pipeline.practise.settings import PractiseSettings
from pipeline.review.door import listen

FIGURES = Path(__file__).parent / "figures"
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
EXERCISE = Exercise(
    seed=8, view="lateral", level=2, rotation_deg=-11.0, tilt_deg=6.5, flexion_deg=25
)


def saved(page: Page, name: str, width: int = 1200) -> None:
    """The page as a small JPEG."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    height = round(picture.height * width / picture.width)
    picture.resize((width, height), Image.Resampling.LANCZOS).save(
        FIGURES / name, quality=82, optimize=True
    )
    print(name, (FIGURES / name).stat().st_size // 1024, "kB")


def look(address: str) -> None:
    """Plays one move and takes the picture of the first film, explained."""
    with sync_playwright() as playwright:
        found = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=found, args=FLAGS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.add_init_script("localStorage.setItem('squareon learner', 'Kestrel')")
        page.goto(address)
        page.wait_for_selector(".home")
        page.fill("#code", code_of(EXERCISE))
        page.keyboard.press("Enter")
        page.wait_for_selector(".play[data-films='1']")
        page.select_option("#say-rotation", "minus")
        page.select_option("#say-tilt", "fine")
        page.fill("#move-orbital-number", "-10")
        page.get_by_role("button", name="Take the film").click()
        page.wait_for_selector(".play[data-films='2']")
        page.wait_for_selector(".reader p")
        page.get_by_role("button", name="Film 1").click()
        page.wait_for_selector(".outlines .name")
        page.wait_for_function("() => /Rotation/.test(document.querySelector('.reader').innerText)")
        page.fill("#move-other-number", "6")
        saved(page, "practise-film.jpg")
        browser.close()


def main() -> None:
    """Serves the page and takes the picture."""
    settings = PractiseSettings(**compose("practise", PractiseSettings, ["port=0"]))
    with tempfile.TemporaryDirectory() as folder:
        desk = desk_of(Path(folder), settings)
        made = listen(settings.host, settings.port)
        guard, way = build(desk, settings, made.getsockname()[1])
        warm(desk)
        server = uvicorn.Server(uvicorn.Config(guard, log_level="warning", lifespan="off"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [made]})
        thread.start()
        while not server.started:
            time.sleep(0.05)
        look(way.address)
        server.should_exit = True
        thread.join()
        desk.adviser.close()


if __name__ == "__main__":
    main()

"""Makes the picture of the audit guide: `python docs/make_audit_figures.py`.

The series of the demonstration is made, read and audited; its page is opened in Debian's chromium,
driven by playwright (test extra).
"""

from __future__ import annotations

import io
import shutil
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from pipeline.bench.hunts import hunt_of, write_hunt
from pipeline.cli import main as squareon
from pipeline.demo import HUNT, HUNT_STUDY

FIGURES = Path(__file__).parent / "figures"
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
WIDTH = 1000


def look(page_file: Path, name: str) -> None:
    """From the story to the chart, as a small JPEG."""
    with sync_playwright() as playwright:
        found = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=found, args=FLAGS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.goto(page_file.as_uri())
        top = page.locator("h1").bounding_box()
        end = page.locator("figure", has_text="Angles as read").bounding_box()
        assert top is not None
        assert end is not None
        clip = {"x": 0, "y": top["y"] - 12, "width": 1366}
        clip["height"] = end["y"] + end["height"] - clip["y"] + 8
        taken = page.screenshot(full_page=True, clip=clip)
        browser.close()
    picture = Image.open(io.BytesIO(taken)).convert("RGB")
    height = round(picture.height * WIDTH / picture.width)
    picture.resize((WIDTH, height), Image.Resampling.LANCZOS).save(
        FIGURES / name, quality=80, optimize=True
    )
    print(name, (FIGURES / name).stat().st_size // 1024, "kB")


def main() -> None:
    """Makes the series, audits it and takes the picture."""
    with tempfile.TemporaryDirectory() as folder:
        films, out = Path(folder) / "films", Path(folder) / "audit"
        write_hunt(hunt_of(HUNT), films / HUNT_STUDY, HUNT_STUDY)
        squareon(["audit", str(films), "--out", str(out), "pages=[html]", "workers=1"])
        look(next(out.glob("study-*.html")), "audit-study.jpg")


if __name__ == "__main__":
    main()

"""Debian's Chromium driven by playwright, for tests of the review page."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image
from review_house import CHROMIUM, FLAGS

ABSENT = "needs Debian's chromium and the package playwright (in the test extra)"


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """A browser; skips the test where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason=ABSENT)
    if CHROMIUM is None:
        pytest.skip(ABSENT)
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """One person's browser: a page, its errors, and what a person does on it."""

    def __init__(self, browser: Any, address: str, who: str = "Ada Example", **words: Any) -> None:
        words = {"viewport": {"width": 1366, "height": 768}, "reduced_motion": "reduce", **words}
        self.address = address.rstrip("/")
        self.context = browser.new_context(**words)
        self.context.add_init_script(f"localStorage.setItem('squareon reviewer', '{who}')")
        self.context.set_default_timeout(180_000)
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page = self.new_page()

    def new_page(self) -> Any:
        page = self.context.new_page()
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on(
            "console",
            lambda message: (
                self.errors.append(message.text)
                if message.type == "error" and "Failed to load resource" not in message.text
                else None
            ),
        )
        page.on("request", lambda request: self.requests.append(request.url))
        return page

    def close(self) -> None:
        self.context.close()

    def foreign(self) -> list[str]:
        """What was asked of anybody but the server; a page needs nobody else."""
        own = (self.address, "data:", "blob:")
        return [url for url in self.requests if not url.startswith(own)]

    # ---- going about

    def worklist(self) -> None:
        self.page.goto(f"{self.address}/#/")
        self.page.wait_for_selector(".line.row")

    def film(self, id: int, query: str = "", landmarks: bool = True) -> None:
        self.page.goto(f"{self.address}/{query}#/film/{id}")
        self.page.wait_for_selector(".stage[data-scale]")
        if landmarks:
            self.page.wait_for_selector(".landmark")
        self.settle()

    def settle(self) -> None:
        """Waits until the page has nothing under way and has drawn what there is."""
        self.page.wait_for_function("() => !document.querySelector('[aria-busy=true], .wait')")
        self.page.evaluate(
            "() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))"
        )

    # ---- looking

    def view(self) -> tuple[float, float, float]:
        """scale, left, top of the film on the stage, device pixels."""
        data = self.page.locator(".stage").evaluate("e => ({...e.dataset})")
        return float(data["scale"]), float(data["left"]), float(data["top"])

    def changes(self, id: int) -> Any:
        """The draft that the browser keeps."""
        words = f"JSON.parse(localStorage.getItem('squareon draft {id}'))?.changes ?? null"
        return self.page.evaluate(words)

    def centre(self, name: str) -> tuple[float, float]:
        """Where a landmark is on the page, CSS pixels."""
        # In one step: an answer of the server may put a new mark in the old one's place.
        words = """name => {
            const grip = document.querySelector(`.landmark[data-name="${name}"] .grip`);
            const box = grip.getBoundingClientRect();
            return [box.x + box.width / 2, box.y + box.height / 2];
        }"""
        x, y = self.page.evaluate(words, name)
        return float(x), float(y)

    def grey(self) -> np.ndarray:
        """(rows, columns) uint8: what the stage shows, overlay and all."""
        box = self.page.locator(".stage").bounding_box()
        shot = self.page.screenshot(clip=box)
        return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB"))[:, :, 1]

    def toast(self, words: str) -> Any:
        found = self.page.locator("#toasts .toast", has_text=words).last
        found.wait_for()
        return found

    # ---- doing

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def drag(self, name: str, dx: float, dy: float, steps: int = 6) -> None:
        # Chosen first: where marks lie on each other the chosen one is on top.
        self.page.locator(f'.landmark[data-name="{name}"]').focus()
        x, y = self.centre(name)
        mouse = self.page.mouse
        mouse.move(x, y)
        mouse.down()
        mouse.move(x + dx, y + dy, steps=steps)
        mouse.up()
        self.settle()

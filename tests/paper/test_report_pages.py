"""Reports in a real browser: axe, both colour schemes, small and large windows, and on paper."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from report_cases import report, small_store

CAUTION = "NOT FOR GUIDANCE"
KINDS = ("film", "study", "operator", "period", "index")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = small_store(tmp_path_factory.mktemp("store"))
    folder = tmp_path_factory.mktemp("pages") / "out"
    report(place, folder, formats=("html",), unreviewed=True)
    return folder


def first(out: Path, kind: str) -> str:
    return sorted(out.glob(f"{kind}*.html"))[0].as_uri()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, out: Path, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    # axe is put into the page, which its own content policy rightly forbids.
    context = browser.new_context(
        color_scheme=scheme, viewport={"width": 1366, "height": 768}, bypass_csp=True
    )
    page = context.new_page()
    for kind in KINDS:
        page.goto(first(out, kind))
        found = axe.run(page)
        assert found.violations_count == 0, (kind, scheme, found.generate_report())
    context.close()


@pytest.mark.parametrize("size", [(1366, 768), (3840, 2160), (420, 800)])
def test_nothing_runs_out_of_the_window(browser: Any, out: Path, size: tuple[int, int]) -> None:
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for kind in KINDS:
        page.goto(first(out, kind))
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, (kind, size)
        assert CAUTION in page.inner_text("header")
        assert page.evaluate(
            "[...document.images].every(image => image.complete && image.naturalWidth > 0)"
        )
    assert not [url for url in asked if not url.startswith(("file:", "data:"))]
    context.close()


def test_a_printed_page_carries_the_caution_each_time(browser: Any, out: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(first(out, "film"))
    pages = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    assert len(pages) > 1
    for one in pages:
        assert CAUTION in " ".join(one.extract_text().split())
    context.close()

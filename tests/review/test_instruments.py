"""Instruments on the page: tips dragged, nudged and removed; footprints looked at."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from review_browser import Visit
from review_house import House, id_of

from pipeline.knee.errors import Problem
from pipeline.propose.lesion import KINDS
from pipeline.records.store import Store
from pipeline.review.changes import Changes
from pipeline.review.desk import Viewer
from pipeline.review.footprints import kinds, lesion_of

LATERAL = "pair/lateral.dcm"
TIP, BEHIND = [150.0, 120.0], [150.0, 60.0]


def asked(shared: House, **body: Any) -> Any:
    assert isinstance(shared.store, Store)
    changes = {"landmarks": {}, "swap": False, "view": None, "side": None, "instruments": [TIP]}
    words = {"changes": changes, "lesion": {"kind": "conventional"}, **body}
    return shared.call(f"/api/footprints/{id_of(shared.store, LATERAL)}", words)


def test_the_server_draws_to_scale_in_the_marked_direction(shared: House) -> None:
    lesion = {"kind": "cooled", "width_mm": [6, 6], "length_mm": [10, 10]}
    lesion |= {"projection_mm": [2, 2], "elevation_deg": [0, 0]}
    answer = asked(shared, lesion=lesion, behind={"0": BEHIND}).json
    (one,) = answer["shapes"]
    assert one["ahead"] == [0.0, 1.0]
    assert one["marked"] is True
    assert one["outer"] == one["inner"] or np.allclose(
        np.ptp(one["outer"], axis=0), np.ptp(one["inner"], axis=0), atol=0.2
    )
    row = shared.call(f"/api/reading/{id_of(shared.store, LATERAL)}").json["shown"]
    mm = row["scale"]["mm_per_px_knee"]
    reach = np.array(one["outer"])
    assert reach[:, 1].max() - TIP[1] == pytest.approx(2 / mm, abs=0.3)
    assert np.ptp(reach[:, 0]) == pytest.approx(6 / mm, abs=0.3)
    assert "never a plan" in answer["caution"].lower()
    assert "as given" in " ".join(answer["about"])
    assert asked(shared, changes={"instruments": []}).json["shapes"] == []


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"lesion": {"kind": "hot"}}, "no kind of lesion"),
        ({"lesion": {"size": 3}}, "has no option size"),
        ({"lesion": {"kind": "cooled", "width_mm": "wide"}}, "expected"),
        ({"behind": {"3": BEHIND}}, "there is no tip 3"),
        ({"behind": {"0": TIP}}, "the tip itself"),
        ({"behind": {"0": ["a", 1]}}, "not two numbers"),
    ],
)
def test_what_cannot_be_is_said(shared: House, body: dict[str, Any], words: str) -> None:
    answer = asked(shared, **body)
    assert answer.status == 422
    assert words in answer.json["what"]


def test_a_footprint_is_no_change(shared: House) -> None:
    """Asking for one leaves store and reading as they were."""
    assert shared.store is not None
    id = id_of(shared.store, LATERAL)
    before = shared.store.reading(id).revision
    asked(shared)
    assert shared.store.reading(id).revision == before
    assert [each["kind"] for each in kinds()] == list(KINDS)
    with pytest.raises(Problem):
        lesion_of({"width_mm": [9, 3]})
    assert Changes().none
    assert Viewer().role == "first"


def test_tips_are_dragged_nudged_and_removed(visit: Visit, shared: House) -> None:
    assert shared.store is not None
    id = id_of(shared.store, LATERAL)
    visit.film(id)
    page = visit.page
    box = page.locator(".stage").bounding_box()
    scale, left, top = visit.view()
    at = np.array(TIP) * scale + (left, top) + (box["x"], box["y"])
    visit.press("t")
    page.mouse.click(*at)
    visit.settle()
    (first,) = visit.changes(id)["instruments"]
    grip = page.locator(".tip-mark .grip").bounding_box()
    start = (grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(start[0] + 20, start[1], steps=4)
    page.mouse.move(start[0] + 40, start[1] + 20, steps=4)
    page.mouse.up()
    visit.settle()
    (moved,) = visit.changes(id)["instruments"]
    assert np.array(moved) - first == pytest.approx(np.array([40.0, 20.0]) / scale, abs=1.5 / scale)
    visit.press("ArrowRight", "Shift+ArrowDown")
    visit.settle()
    (nudged,) = visit.changes(id)["instruments"]
    assert np.array(nudged) - moved == pytest.approx([0.25, 2.5], abs=1e-4)
    visit.press("z", "z")
    visit.settle()
    assert visit.changes(id)["instruments"] == [pytest.approx(moved)]
    page.locator(".tip-mark").focus()
    visit.press("v")
    visit.settle()
    assert visit.changes(id) is None
    assert page.locator(".tip-mark").count() == 0


@pytest.mark.parametrize(("width", "dark"), [(1366, "light"), (3840, "dark")])
def test_footprints_are_accessible_and_fit(
    browser: Any, shared: House, width: int, dark: str
) -> None:
    """axe finds nothing with the fields open, and nothing runs out of the window."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    assert shared.store is not None
    size = {"width": width, "height": width * 9 // 16}
    visit = Visit(browser, shared.address, viewport=size, color_scheme=dark)
    visit.film(id_of(shared.store, LATERAL))
    page = visit.page
    box = page.locator(".stage").bounding_box()
    visit.press("t")
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    visit.settle()
    page.get_by_label("Show a lesion's footprint").check()
    page.wait_for_selector("[data-test=footprint-0]")
    found = axe.run(page)
    assert found.violations_count == 0, found.generate_report()
    wide = "() => document.documentElement.scrollWidth <= window.innerWidth + 1"
    assert page.evaluate(wide)
    assert page.locator(".panel").evaluate("e => e.scrollWidth - e.clientWidth") <= 1
    visit.close()
    assert not visit.errors


def test_footprints_are_off_until_asked_for(visit: Visit, shared: House) -> None:
    assert shared.store is not None
    id = id_of(shared.store, LATERAL)
    visit.film(id)
    page = visit.page
    assert page.locator(".footprints").count() == 0  # no instrument, nothing to ask for
    box = page.locator(".stage").bounding_box()
    scale, left, top = visit.view()

    def click(place: list[float]) -> None:
        x, y = np.array(place) * scale + (left, top) + (box["x"], box["y"])
        page.mouse.click(x, y)
        visit.settle()

    visit.press("t")
    click(TIP)
    assert page.locator(".footprint").count() == 0
    page.get_by_label("Show a lesion's footprint").check()
    page.wait_for_selector("[data-test=footprint-0]")
    assert page.locator("path.footprint.outer").count() == 1
    assert "never a plan" in page.locator(".footprints").inner_text().lower()
    page.get_by_role("button", name="Direction of tip 1").click()
    click(BEHIND)
    page.get_by_role("button", name="Direction of tip 1").get_by_text("marked").wait_for()
    page.locator("#f-kind").select_option("cooled")
    page.wait_for_function(
        "() => document.querySelector('.footprints').innerText.includes('8 to 12 mm across')"
    )
    page.locator("#f-width_mm-0").fill("9")
    page.locator("#f-width_mm-0").blur()
    page.wait_for_function(
        "() => document.querySelector('.footprints').innerText.includes('9 mm across')"
    )
    assert set(visit.changes(id)) == {"landmarks", "swap", "view", "side", "instruments"}
    page.get_by_label("Show a lesion's footprint").uncheck()
    visit.settle()
    assert page.locator(".footprint").count() == 0

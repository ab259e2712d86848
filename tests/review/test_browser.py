"""The review page in a real browser: the whole story, precision, grey levels, accessibility."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from review_browser import Visit
from review_house import RAMP, House, id_of, serving

from pipeline.records.store import Store
from pipeline.review.desk import same

AP, LATERAL = "pair/AP.dcm", "pair/lateral.dcm"


def at(shared: House, name: str) -> int:
    assert shared.store is not None
    return id_of(shared.store, name)


def place(row: dict[str, Any], name: str) -> np.ndarray:
    mark = next(each for each in row["landmarks"] if each["name"] == name)
    return np.array([mark["x"], mark["y"]])


def test_from_the_worklist_to_a_signed_record(browser: Any, house: House, store: Store) -> None:
    """Open, drag, see it follow, accept, undo, accept again: history, chain and list agree."""
    visit = Visit(browser, house.address)
    page = visit.page
    visit.worklist()
    assert page.locator(".count").inner_text() == "6 readings"
    page.locator("#f-search").fill("pair/AP")
    assert page.locator(".line.row").count() == 1
    page.locator(".line.row").click()
    page.wait_for_selector(".landmark")
    visit.settle()
    id = id_of(store, AP)
    original = store.reading(id).original
    before = page.locator(".verdict-block").inner_text()
    visit.press("k")
    visit.drag("medial_condyle_distal", 0, 15)
    visit.drag("medial_spine", 12, 12)
    page.wait_for_function(
        "b => document.querySelector('.verdict-block').innerText !== b", arg=before
    )
    assert page.get_by_role("button", name="Accept with changes").count() == 1
    changes = visit.changes(id)
    assert set(changes["landmarks"]) == {"medial_condyle_distal", "medial_spine"}
    visit.press("a")
    visit.toast("Accepted: pair/AP.dcm")
    assert store.reading(id).state == "changed"
    assert visit.changes(id) is None
    visit.press("u")
    visit.toast("Opened again")
    assert store.reading(id).state == "proposed"
    page.reload()
    page.wait_for_selector(".landmark")
    visit.settle()
    visit.drag("medial_condyle_distal", 3, 5)
    visit.press("a")
    visit.toast("Accepted: pair/AP.dcm")

    stored = store.reading(id)
    kinds = [entry.kind for entry in stored.history]
    assert kinds == ["add", "accept_with_changes", "reopen", "accept_with_changes"]
    assert {entry.who for entry in stored.history[1:]} == {"Ada Example"}
    assert stored.original == original
    assert not same(stored.current, original)
    assert not store.verify()
    visit.press("w")
    page.get_by_text("1 of 6 decided").wait_for()  # the list is asked for anew
    page.locator("#f-search").fill("")
    page.locator("#f-state").select_option("changed")
    page.wait_for_function("() => document.querySelectorAll('.line.row').length === 1")
    assert not visit.errors
    visit.close()


def test_reject_with_a_reason_by_keyboard_alone(browser: Any, house: House, store: Store) -> None:
    visit = Visit(browser, house.address)
    visit.worklist()
    visit.press("ArrowDown", "ArrowDown", "Enter")
    visit.page.wait_for_selector(".stage[data-scale]")
    visit.settle()
    id = int(visit.page.url.rsplit("/", 1)[1])
    visit.press("r")
    visit.page.wait_for_selector("dialog[open]")
    visit.page.keyboard.type("arm, not knee")  # a, r, m are keys: not while typing
    visit.press("Tab", "Tab", "Tab", "Tab", "Tab", "Tab", "Enter")
    visit.toast("Rejected")
    assert store.reading(id).state == "rejected"
    assert store.reading(id).history[-1].reason == "arm, not knee"
    visit.press("w")
    visit.page.wait_for_selector(".line.row")
    visit.page.locator(f'.line.row[data-id="{id}"]').focus()
    visit.press("u")
    visit.toast("Opened again")
    assert store.reading(id).state == "proposed"
    visit.close()


@pytest.mark.parametrize("zoom", [0.6, 1.0, 6.3, 23.0])
def test_a_dragged_landmark_lands_where_it_was_let_go(
    visit: Visit, shared: House, zoom: float
) -> None:
    """Within a quarter of a film pixel, at any zoom."""
    id, name = at(shared, AP), "fibular_head"
    visit.film(id)
    start = place(shared.call(f"/api/reading/{id}").json["shown"], name)
    x, y = visit.centre(name)
    visit.page.mouse.move(x, y)
    for _ in range(60):
        scale = visit.view()[0]
        if abs(np.log(zoom / scale)) < 0.02:
            break
        step = float(np.clip(-np.log(zoom / scale) / 0.0016, -400, 400))
        visit.page.mouse.wheel(0, step)
        visit.settle()
    scale = visit.view()[0]
    assert scale == pytest.approx(zoom, rel=0.03)
    visit.drag(name, 37, -21, steps=9)
    expected = start + np.array([37, -21]) / scale
    landed = np.array(visit.changes(id)["landmarks"][name])
    assert np.abs(landed - expected).max() <= 0.25
    # What is drawn is what is kept.
    box = visit.page.locator(".stage").bounding_box()
    scale, left, top = visit.view()
    drawn = (np.array(visit.centre(name)) - (box["x"], box["y"]) - (left, top)) / scale - 0.5
    assert np.abs(drawn - landed).max() <= max(0.25, 0.1 / scale)
    visit.press("z")
    visit.settle()
    assert visit.changes(id) is None


def test_nudging_by_keyboard(visit: Visit, shared: House) -> None:
    id = at(shared, AP)
    visit.film(id)
    visit.press("]", "]")
    name = visit.page.locator(".landmark.selected").get_attribute("data-name")
    start = place(shared.call(f"/api/reading/{id}").json["shown"], name)
    visit.press("ArrowRight", "ArrowRight", "ArrowRight", "ArrowUp", "Shift+ArrowDown")
    visit.settle()
    landed = np.array(visit.changes(id)["landmarks"][name])
    assert landed - start == pytest.approx([0.75, 2.25], abs=1e-4)
    for _ in range(5):
        visit.press("z")
    visit.settle()
    assert visit.changes(id) is None
    visit.press("y", "y", "y")
    visit.settle()
    landed = np.array(visit.changes(id)["landmarks"][name])
    assert landed - start == pytest.approx([0.75, 0.0], abs=1e-4)


@pytest.mark.parametrize("painter", ["", "?painter=plain"], ids=["webgl", "canvas"])
@pytest.mark.parametrize("inverted", [False, True])
def test_window_and_level_on_a_16_bit_film(
    visit: Visit, shared: House, painter: str, inverted: bool
) -> None:
    """Every pixel at 1:1 is the grey that numpy computes from the film's 16-bit levels."""
    id = at(shared, RAMP)
    visit.film(id, painter, landmarks=False)
    kind = visit.page.locator(".stage").get_attribute("data-painter")
    assert kind == "2-D canvas" or not painter
    answer = shared.call(f"/api/film/{id}")
    shape = int(answer.headers["x-rows"]), int(answer.headers["x-columns"])
    levels = np.frombuffer(answer.body, "<u2").reshape(shape)
    assert len(np.unique(levels)) > 50_000
    visit.press("o", "1")
    if inverted:
        visit.press("i")
    for low, high in ((20.0, 60.0), (49.9, 50.9), (0.0, 100.0)):
        visit.page.locator("#w-low").fill(str(low))
        visit.page.locator("#w-high").fill(str(high))
        visit.page.locator("#w-low").fill(str(low))
        visit.settle()
        scale, left, top = visit.view()
        assert scale == 1
        left, top = int(left), int(top)
        shown = visit.grey()
        rows = slice(max(0, -top), min(shape[0], shown.shape[0] - top))
        columns = slice(max(0, -left), min(shape[1], shown.shape[1] - left))
        part = levels[rows, columns].astype(np.float64)
        ends = [round(v / 100 * 65535) for v in (low, high)]
        share = np.clip((part - ends[0]) / (ends[1] - ends[0]), 0, 1)
        share = 1 - share if inverted else share
        expected = np.floor(share * 255 + 0.5)
        seen = shown[
            rows.start + top : rows.stop + top, columns.start + left : columns.stop + left
        ].astype(float)
        off = np.abs(seen - expected)
        assert off.max() <= 1  # ties may fall either way in the graphics processor
        assert (off == 0).mean() > 0.999


def test_zoom_pan_magnifier_and_overlay(visit: Visit, shared: House) -> None:
    visit.film(at(shared, AP))
    page = visit.page
    box = page.locator(".stage").bounding_box()
    x, y = 300, 300
    u, v = x - box["x"], y - box["y"]
    page.mouse.move(x, y)
    scale, left, top = visit.view()
    fixed = ((u - left) / scale, (v - top) / scale)
    page.mouse.wheel(0, -500)
    visit.settle()
    scale, left, top = visit.view()
    assert ((u - left) / scale, (v - top) / scale) == pytest.approx(fixed, abs=0.01)
    page.mouse.down()
    page.mouse.move(x + 50, y + 30, steps=4)
    page.mouse.up()
    visit.settle()
    assert visit.view() == pytest.approx((scale, left + 50, top + 30), abs=0.01)
    assert visit.changes(at(shared, AP)) is None
    with_overlay = visit.grey()
    visit.press("o")
    visit.settle()
    bare = visit.grey()
    assert (with_overlay != bare).mean() > 0.002
    visit.press("o")
    visit.settle()
    assert (visit.grey() == with_overlay).all()
    visit.press("m")
    page.mouse.move(x, y)
    visit.settle()
    lens = page.locator(".lens")
    assert lens.is_visible()
    visit.press("m")
    assert not lens.is_visible()
    visit.press("f")
    visit.settle()
    assert page.locator(".zoomed").inner_text().endswith("%")


def test_missing_hidden_swapped_side_and_view(visit: Visit, shared: House) -> None:
    id = at(shared, LATERAL)
    visit.film(id)
    page = visit.page
    page.locator("#d-landmarks summary").click()
    page.get_by_role("button", name="fibular head is not visible").click()
    visit.settle()
    assert visit.changes(id)["landmarks"] == {"fibular_head": None}
    assert page.locator('.landmark[data-name="fibular_head"]').count() == 0
    visit.press("e")
    page.locator("dialog[open]").get_by_role("button", name="fibular head").click()
    box = page.locator(".stage").bounding_box()
    page.mouse.click(box["x"] + 400, box["y"] + 400)
    visit.settle()
    scale, left, top = visit.view()
    expected = ((400 - left) / scale - 0.5, (400 - top) / scale - 0.5)
    assert visit.changes(id)["landmarks"]["fibular_head"] == pytest.approx(expected, abs=0.01)
    before = [visit.centre(f"{side}_condyle_distal") for side in ("medial", "lateral")]
    visit.press("x")
    visit.settle()
    assert visit.changes(id)["swap"]
    after = [visit.centre(f"{side}_condyle_distal") for side in ("lateral", "medial")]
    assert np.abs(np.subtract(after, before)).max() < 0.1
    page.locator("#k-side").select_option("left")
    visit.settle()
    assert visit.changes(id)["side"] == "left"
    page.locator("#k-view").select_option("AP")
    visit.settle()
    assert page.locator('.landmark[data-name="medial_epicondyle"]').count() == 1
    page.locator("#k-view").select_option("none")
    visit.settle()
    assert page.locator("[data-test=verdict]").inner_text() == "not read"
    page.get_by_role("button", name="Discard all").click()
    visit.settle()
    assert visit.changes(id) is None


def test_instruments(visit: Visit, shared: House) -> None:
    id = at(shared, LATERAL)
    visit.film(id)
    answer = shared.call(f"/api/reading/{id}").json["shown"]
    low = place(answer, "femoral_shaft_anterior_low")
    back = place(answer, "femoral_shaft_posterior_low")
    scale, left, top = visit.view()
    box = visit.page.locator(".stage").bounding_box()
    middle = (0.6 * low + 0.4 * back + 0.5) * scale + (left, top)
    visit.press("t", "o")  # the overlay may hide what lies under it
    visit.page.mouse.click(box["x"] + middle[0], box["y"] + middle[1])
    visit.settle()
    words = visit.page.locator("[data-test=depth-0]").inner_text()
    assert int(re.findall(r"^(\d+) % of the shaft", words)[0]) == pytest.approx(40, abs=8)
    assert "from the film's misalignment" in words
    visit.page.get_by_role("button", name="Remove tip 1").click()
    visit.settle()
    assert visit.changes(id) is None


def test_single_keys_can_be_switched_off(visit: Visit, shared: House) -> None:
    visit.film(at(shared, AP))
    visit.press("?")
    visit.page.locator("dialog[open] input[type=checkbox]").uncheck()
    visit.press("Escape", "i")
    invert = visit.page.get_by_role("button", name="Invert")
    assert invert.get_attribute("aria-pressed") == "false"
    visit.press("?")
    visit.page.locator("dialog[open] input[type=checkbox]").check()
    visit.press("Escape", "i")
    assert invert.get_attribute("aria-pressed") == "true"


@pytest.mark.parametrize(
    ("scheme", "size"),
    [("light", (1366, 768)), ("dark", (1366, 768)), ("light", (3840, 2160))],
    ids=["laptop-light", "laptop-dark", "4k"],
)
def test_accessible(browser: Any, shared: House, scheme: str, size: tuple[int, int]) -> None:
    """axe finds nothing, the sentence is on every page, and nothing runs out of the window."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    view = {"width": size[0], "height": size[1]}
    visit = Visit(browser, shared.address, viewport=view, color_scheme=scheme)

    def check(where: str) -> None:
        found = axe.run(visit.page)
        told = [(v["id"], [n["target"] for n in v["nodes"]]) for v in found.response["violations"]]
        assert not told, (where, told)
        assert "not for guidance" in visit.page.locator("#caution").inner_text()
        wide = visit.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, where
        over = visit.page.evaluate(
            "[...document.querySelectorAll('.panel-body, .decide, .film-head, #top')]"
            ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.className)"
        )
        assert not over, (where, over)

    visit.worklist()
    check("worklist")
    visit.film(at(shared, LATERAL))
    for each in visit.page.locator("details summary").all():
        each.click()
    visit.press("]")
    visit.settle()
    check("film")
    visit.press("?")
    check("keys")
    visit.press("Escape", "r")
    check("reject")
    visit.press("Escape", "g")
    visit.page.wait_for_selector(".series")
    check("series")
    assert not visit.errors
    visit.close()


def test_a_token_opens_the_page_and_leaves_the_address(browser: Any, store: Store) -> None:
    with serving(store, token="new") as house:
        visit = Visit(browser, house.address)
        visit.page.goto(house.address)
        visit.page.get_by_role("heading", name="A token is needed").wait_for()
        visit.page.goto("about:blank")
        visit.page.goto(f"{house.address}#token={house.token}")
        visit.page.wait_for_selector(".line.row")
        assert house.token not in visit.page.url
        visit.page.reload()
        visit.page.wait_for_selector(".line.row")
        visit.page.evaluate("sessionStorage.setItem('squareon token', 'guess')")
        visit.page.reload()
        visit.page.get_by_role("heading", name="does not let this page in").wait_for()
        visit.close()


def test_the_mark_stays_under_the_pointer_while_the_server_is_slow(
    browser: Any, shared: House
) -> None:
    """An answer that comes late must not pull the dragged landmark back."""
    visit = Visit(browser, shared.address)
    id, name = at(shared, AP), "fibular_head"
    visit.film(id)
    visit.page.locator(f'.landmark[data-name="{name}"]').focus()
    x, y = visit.centre(name)
    mouse = visit.page.mouse
    mouse.move(x, y)
    mouse.down()
    for step in range(1, 25):
        mouse.move(x - 3 * step, y + step)
        visit.page.wait_for_timeout(25)
        assert visit.centre(name) == pytest.approx((x - 3 * step, y + step), abs=0.6)
    mouse.up()
    visit.settle()
    assert visit.centre(name) == pytest.approx((x - 72, y + 24), abs=0.6)
    assert not visit.errors
    visit.close()


def test_a_dense_screen(browser: Any, shared: House) -> None:
    """Two screen pixels to one of the page's: 1:1 is a film pixel to a screen pixel, drags hold."""
    visit = Visit(browser, shared.address, device_scale_factor=2)
    id, name = at(shared, AP), "fibular_head"
    visit.film(id)
    visit.press("1")
    visit.settle()
    assert visit.view()[0] == 1.0
    canvas = visit.page.locator("canvas.film").evaluate("e => [e.width, e.clientWidth]")
    assert canvas[0] == pytest.approx(2 * canvas[1], abs=1)
    start = place(shared.call(f"/api/reading/{id}").json["shown"], name)
    visit.drag(name, 20, -10)
    landed = np.array(visit.changes(id)["landmarks"][name])
    assert landed - start == pytest.approx([40, -20], abs=0.25)
    visit.close()

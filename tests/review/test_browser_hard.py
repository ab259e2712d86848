"""The review page when things go wrong or grow: races, a killed server, 5,000 films."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from loopback import free_port
from review_browser import Visit
from review_house import (
    House,
    copied,
    id_of,
    many_readings,
    serving,
    start_process,
    wait_until_up,
)

from pipeline.records.store import Store, open_store

AP = "pair/AP.dcm"
DIE_AFTER_WRITING = """
import os
from pipeline.records.store import Store
decide = Store.decide
def die(self, *arguments, **words):
    decide(self, *arguments, **words)
    os._exit(9)
Store.decide = die
"""


def mark(row: dict[str, Any], name: str) -> np.ndarray:
    found = next(each for each in row["landmarks"] if each["name"] == name)
    return np.array([found["x"], found["y"]])


def test_two_people_race_on_one_film(browser: Any, house: House, store: Store) -> None:
    """The later one gets both versions, chooses, and nothing of either is lost."""
    id = id_of(store, AP)
    ada, ben = (Visit(browser, house.address, f"{who} Example") for who in ("Ada", "Ben"))
    for visit in (ada, ben):
        visit.film(id)
    ada.drag("fibular_head", -20, 10)
    ada.drag("adductor_tubercle", 8, 8)
    ben.drag("fibular_head", 15, -6)
    ben.drag("tibial_shaft_lateral_low", 5, 5)
    adas, bens = (visit.changes(id)["landmarks"] for visit in (ada, ben))
    ada.press("a")
    ada.toast("Accepted")
    ben.press("a")
    dialog = ben.page.locator("dialog[open]")
    dialog.wait_for()
    assert "Ada Example accepted it with changes" in dialog.inner_text()
    assert store.reading(id).history[-1].who == "Ada Example"
    rows = dialog.locator("tbody tr")
    assert rows.count() == 4  # what it comes to, and three landmarks
    row = rows.filter(has=ben.page.locator("th", has_text="fibular head"))
    row.locator("input").nth(1).check()  # Ada's
    dialog.get_by_role("button", name="Go on with the chosen").click()
    ben.toast("Both versions are merged")
    ben.settle()
    merged = ben.changes(id)["landmarks"]
    assert merged["fibular_head"] == adas["fibular_head"]
    assert merged["tibial_shaft_lateral_low"] == bens["tibial_shaft_lateral_low"]
    assert "adductor_tubercle" not in merged  # Ben kept his own: as it was read
    ben.press("a")
    ben.toast("Accepted")
    stored = store.reading(id)
    assert [entry.who for entry in stored.history[1:]] == ["Ada Example", "Ben Example"]
    assert mark(stored.current, "fibular_head") == pytest.approx(adas["fibular_head"], abs=1e-4)
    first = stored.history[1].final
    assert first is not None
    assert mark(first, "adductor_tubercle") == pytest.approx(adas["adductor_tubercle"], abs=1e-4)
    assert not store.verify()
    for visit in (ada, ben):
        assert not visit.errors
        visit.close()


def test_the_later_one_may_leave_it(browser: Any, house: House, store: Store) -> None:
    """Two tabs of one person: the second learns of the first's decision and leaves it."""
    id = id_of(store, AP)
    visit = Visit(browser, house.address)
    visit.film(id)
    other = visit.new_page()
    other.goto(f"{house.address}#/film/{id}")
    other.wait_for_selector(".landmark")
    visit.press("a")
    visit.toast("Accepted")
    other.keyboard.press("r")
    other.keyboard.type("too dark")
    other.locator("dialog[open]").get_by_role("button", name="Reject", exact=True).click()
    other.get_by_role("button", name="Leave it as they decided").click()
    other.wait_for_selector(".film-view[data-state=accepted]")
    assert [entry.kind for entry in store.reading(id).history] == ["add", "accept"]
    visit.close()


@pytest.mark.parametrize("moment", ["before writing", "after writing"])
def test_the_server_is_killed_in_mid_save(
    browser: Any, results: Path, tmp_path: Path, moment: str
) -> None:
    """The page keeps the decision, sends it again, and it is in the history exactly once."""
    folder = copied(results, tmp_path)
    port = free_port()
    code = DIE_AFTER_WRITING if moment == "after writing" else ""
    process = start_process(folder, port, code)
    try:
        wait_until_up(process, port)
        visit = Visit(browser, f"http://127.0.0.1:{port}")
        with open_store(str(folder)) as store:
            id = id_of(store, AP)
        visit.film(id)
        visit.drag("fibular_head", -14, 9)
        changes = visit.changes(id)
        if moment == "before writing":
            process.send_signal(signal.SIGSTOP)
            visit.press("a")
            visit.page.wait_for_selector(".film-view.saving")
            process.kill()
        else:
            visit.press("a")
        assert process.wait(timeout=300) != 0
        visit.toast("The server does not answer")
        assert visit.changes(id) == changes
        process = start_process(folder, port)
        wait_until_up(process, port)
        visit.toast("Accepted")
        visit.page.wait_for_selector(".film-view[data-state=changed]")
        assert visit.changes(id) is None
        with open_store(str(folder)) as store:
            stored = store.reading(id)
            kinds = [entry.kind for entry in stored.history]
            assert kinds == ["add", "accept_with_changes"]
            place = changes["landmarks"]["fibular_head"]
            assert mark(stored.current, "fibular_head") == pytest.approx(place, abs=1e-4)
            assert not store.verify()
        visit.close()
    finally:
        process.kill()
        process.wait()


def test_a_draft_survives_a_closed_tab(browser: Any, house: House, store: Store) -> None:
    id = id_of(store, AP)
    visit = Visit(browser, house.address)
    visit.film(id)
    visit.drag("fibular_head", -14, 9)
    changes = visit.changes(id)
    visit.page.close()
    visit.page = visit.new_page()
    visit.worklist()
    assert visit.page.locator(f'.line.row[data-id="{id}"] .draft').count() == 1
    visit.film(id)
    visit.toast("were restored")
    visit.settle()
    assert visit.changes(id) == changes
    assert visit.page.locator('.landmark.own[data-name="fibular_head"]').count() == 1
    visit.close()


def test_five_thousand_readings(browser: Any, results: Path, tmp_path: Path) -> None:
    """Only the rows in sight are on the page, whatever is scrolled, sorted or filtered."""
    folder = copied(results, tmp_path)
    lines = (folder / "readings.jsonl").read_text().splitlines()
    row = next(r for r in map(json.loads, lines) if r["film"]["source"].endswith(AP))
    with open_store(str(folder)) as store:
        store.add_readings(many_readings(row, 5000))
        with serving(store) as house:
            visit = Visit(browser, house.address)
            visit.worklist()
            page = visit.page
            gains = [r.gain for r in store.readings()]
            assert page.locator(".count").inner_text() == "5006 readings"
            seen = []
            page.mouse.move(600, 500)
            for _ in range(12):
                page.mouse.wheel(0, 9000)
                visit.settle()
                assert page.locator(".line.row").count() < 60
                first = page.locator(".line.row").first.get_attribute("data-index")
                seen.append(int(first))
            assert seen == sorted(seen)
            assert seen[-1] > 1500
            index = seen[-1]
            shown = page.locator(f'.line.row[data-index="{index}"] .gain + .unseen').inner_text()
            assert shown == f"{round(100 * gains[index])} of 100"
            visit.press("End")
            assert page.evaluate("document.activeElement.dataset.index") == "5005"
            page.locator("#f-verdict").select_option("cannot tell")
            page.locator("#f-side").select_option("left")
            wanted = [r for r in store.readings() if (r.verdict, r.side) == ("cannot tell", "left")]
            assert page.locator(".count").inner_text() == f"{len(wanted)} of 5006 readings"
            assert page.locator(".line.row").first.get_attribute("data-id") == str(wanted[0].id)
            page.locator("#f-search").fill("film-00123")
            assert page.locator(".line.row").count() <= 1
            assert not visit.errors
            visit.close()


def test_double_reading(browser: Any, house: House, store: Store) -> None:
    """First and second reader independently, the second blinded, then an adjudicator."""
    id = id_of(store, AP)
    ada = Visit(browser, house.address, "Ada Example")
    ada.film(id)
    ada.page.get_by_role("button", name="Ask for a second reader").click()
    ada.toast("second reading is wanted")
    ada.page.locator("#k-side").select_option("left")
    ada.settle()
    ada.press("a")
    ada.toast("Accepted")

    def signed_in(who: str, role: str) -> Visit:
        visit = Visit(browser, house.address, who)
        visit.worklist()
        visit.page.get_by_role("button", name=f"{who}, first reader").click()
        visit.page.locator(f"#role-{role}").check()
        visit.page.get_by_role("button", name="That is me").click()
        visit.page.wait_for_selector(".line.row")
        visit.page.locator(f'.line.row[data-id="{id}"]').click()
        visit.page.wait_for_selector(".landmark")
        visit.settle()
        return visit

    ben = signed_in("Ben Example", "second")
    assert ben.page.locator("#k-side").input_value() == "right"
    assert "kept back" in ben.page.locator(".notices").inner_text()
    ben.press("a")
    ben.toast("Accepted")
    assert store.reading(id).state == "adjudicate"
    cleo = signed_in("Cleo Example", "adjudicator")
    readers = cleo.page.locator(".reader")
    assert readers.count() == 2
    readers.filter(has_text="first reader, Ada Example").get_by_role("button").click()
    cleo.settle()
    assert cleo.page.locator("#k-side").input_value() == "left"
    cleo.press("a")
    cleo.toast("Accepted")
    assert store.reading(id).current["side"]["name"] == "left"
    assert store.reading(id).history[-1].who == "Cleo Example"
    for visit in (ada, ben, cleo):
        assert not visit.errors
        visit.close()

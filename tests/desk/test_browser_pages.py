"""Every page in a real browser: nothing serious for a checker of accessibility, nothing forbidden, nothing heavy.

The checker is axe (Deque), rules of WCAG 2.0 to 2.2, levels A and AA; what it calls serious or critical fails.
"""

import json
import re
from itertools import pairwise

import pytest
from playwright.sync_api import expect
from sqlalchemy import update

from tests.desk.browsing import (
    DESK,
    LAPTOP,
    MOST,
    PHONE,
    STUDIO,
    audition,
    come_in,
    let_differ,
    let_files_fail,
    settled,
    to_a_note,
    watched,
)
from triage.store.engine import open_store, writing
from triage.store.tables import note

OF_SESSION = ["queue", "disputes", "queue/list", "played", "arrivals", "noise", "consistency", "pickups", "keepers"]
PAGES = ["", "models", "keys", "sign-in", *(f"s/1/{page}" for page in OF_SESSION)]
READY = {
    "s/1/queue": "#cell strong",
    "s/1/disputes": "#cell strong",
    "s/1/consistency": "#plot [data-note]",
}  # what shows that a page is there
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
MOST_BYTES = 400_000  # of the issue, without sound


CUT = """() => [...document.querySelectorAll('.roll:has(.cards)')].filter(one => one.scrollWidth > one.clientWidth)
    .map(one => one.getAttribute('aria-label'))"""


def opened(page, desk, path: str) -> None:
    page.goto(f"{desk.address}/{path}")
    page.wait_for_selector(READY.get(path, "h1"))
    page.wait_for_function("() => !document.querySelector('[data-waits]')")  # a sheet that is still being made


def serious(page) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options=RULES).response["violations"]
    return [
        f"{one['id']}: {one['help']}: {json.dumps([node['html'][:120] for node in one['nodes'][:3]])}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["1440 wide", "390 wide"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_any_page(browser, desk, scheme, size):
    let_differ(desk.store)
    with browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True) as context:
        page = come_in(context, desk, role="producer")
        for path in PAGES:
            opened(page, desk, path)
            assert serious(page) == [], path
        opened(page, desk, "s/1/queue")
        page.keyboard.press("KeyH")
        page.wait_for_selector("#sheet[open]")
        assert serious(page) == [], "the sheet of keys"


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["1440 wide", "390 wide"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_what_only_other_roles_see(browser, desk, scheme, size):
    let_differ(desk.store)
    let_files_fail(desk.store)
    own = {
        "engineer": ("s/1/arrivals", "s/1/noise"),
        "lead": ("s/1/played", "s/1/keepers"),
        "editor": ("s/1/disputes",),
    }
    for role, pages in own.items():
        with browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True) as context:
            page = come_in(context, desk, "anna", role)
            for path in (f"s/1/{one}" for one in pages):
                opened(page, desk, path)
                assert serious(page) == [], (role, path)
                assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_an_empty_store(browser, empty_desk, scheme):
    with browser.new_context(viewport=LAPTOP, color_scheme=scheme, bypass_csp=True) as context:
        page = come_in(context, empty_desk)
        for path in ("", "models", "sign-in"):
            opened(page, empty_desk, path)
            assert serious(page) == [], path
        assert page.goto(f"{empty_desk.address}/s/1/queue").status == 404
        assert serious(page) == []


@pytest.mark.parametrize("size", [LAPTOP, STUDIO, PHONE], ids=["13 inch", "large", "phone"])
def test_every_page_fits_the_screen_weighs_little_and_needs_nothing_forbidden(browser, desk, size):
    let_differ(desk.store)
    with browser.new_context(viewport=size) as context:
        come_in(context, desk)
        for path in PAGES:
            weights: dict[str, int] = {}
            with watched(context) as page:
                page.on("response", lambda answer, to=weights: to.update({answer.url: weight_of(answer)}))
                opened(page, desk, path)
                page.wait_for_load_state("load")
                assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
                assert page.evaluate("scrollY") == 0, path
                if path in ("s/1/queue", "s/1/disputes") and size != PHONE:
                    assert page.evaluate("document.documentElement.scrollHeight") <= size["height"]
                if size == PHONE:
                    assert page.evaluate(CUT) == [], path
                if page.locator(".mast [aria-current]").count():
                    link, head = page.locator(".mast [aria-current]").bounding_box(), page.locator(".mast")
                    assert 0 <= link["x"] <= size["width"] - link["width"], path
                    assert head.bounding_box()["height"] <= (60 if size != PHONE else 90), path
                assert page.slips == [], path
            heavy = {url: n for url, n in weights.items() if "/audio/" not in url}
            assert 0 < sum(heavy.values()) <= MOST_BYTES, (path, heavy)


def weight_of(answer) -> int:
    """Return an answer's bytes; those of events that never end count as none."""
    return 0 if answer.url.endswith("/live") or answer.status in (204, 303, 304) else len(answer.body())


def test_all_focus_is_seen_and_every_panel_key_has_a_name(context, desk):
    page = audition(context, desk)
    page.keyboard.press("KeyY")  # all of them drawn
    names = page.locator(".keys .key").evaluate_all("all => all.map(one => one.innerText.trim())")
    assert len(names) == 35 and all(names)
    for _ in range(12):
        page.keyboard.press("Tab")
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_single_keys_can_be_switched_off(context, desk):
    """WCAG 2.2, 2.1.4: a person whose voice types letters must be able to turn them off."""
    page = audition(context, desk)
    take = page.locator("#cell strong").inner_text()
    page.keyboard.press("KeyH")
    page.get_by_label("Single keys do something").uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("KeyJ")
    page.get_by_role("button", name="leave it to others").press("Enter")
    page.wait_for_function("was => document.querySelector('#cell strong').textContent !== was", arg=take)
    settled(page)
    page.reload()
    page.wait_for_selector("#cell strong")
    assert not page.get_by_label("Single keys do something").is_checked()


def test_the_switch_of_the_scheme_is_kept(context, desk):
    page = come_in(context, desk)
    page.get_by_label("Light").select_option("dark")
    page.reload()
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(25, 24, 22)"


def test_a_dot_of_the_consistency_page_plays_its_note_by_click_and_by_keys(context, desk):
    page = come_in(context, desk)
    opened(page, desk, "s/1/consistency")
    page.locator("#plot").focus()
    page.keyboard.press("ArrowRight")
    text = page.locator("#at-dot").inner_text()
    assert "note" in text
    page.keyboard.press("Enter")
    page.wait_for_function("() => window.started.length === 1")
    dot = page.locator("#plot [data-note]").last
    dot.hover()
    assert page.locator("#at-dot").inner_text() == dot.get_attribute("data-label")
    dot.click()
    page.wait_for_function("() => window.started.length === 2")


def test_a_row_of_the_overview_leads_to_its_take_with_neighbour_and_verdict(context, desk):
    page = come_in(context, desk)
    opened(page, desk, "s/1/consistency")
    row = page.locator("#worst-rows tr").filter(has_text="hear it in the queue").first
    words = row.locator("th, td").all_inner_texts()
    assert len(words) == 5 and all(words)
    take, note = row.get_by_role("button").first.inner_text().split(":")
    row.get_by_role("button").first.click()
    page.wait_for_function("() => window.started.length === 1")
    assert page.locator("#in-hand-name").inner_text() == f"{take}, note {note}"
    assert page.locator("#in-hand-queue").inner_text().startswith("in the queue at a doubt of ")
    page.keyboard.press("n")
    page.wait_for_function("() => window.started.length === 2")
    page.keyboard.press("o")
    page.wait_for_url("**/queue?take=*&note=*")
    page.locator("#cell strong", has_text=take).wait_for()
    page.locator(f"#notes [data-note='{note}'][aria-current]").wait_for()
    page.keyboard.press("KeyL")
    page.locator("#recent li", has_text=take).wait_for()
    opened(page, desk, "s/1/consistency")
    page.locator("#worst-rows tr").first.wait_for()
    expect(page.locator(f"#worst-rows button[aria-label='Play {take} note {note}']")).to_have_count(0, timeout=60_000)
    assert page.slips == []


def test_a_plot_stays_in_its_frame_when_the_window_changes(context, desk):
    page = come_in(context, desk)
    opened(page, desk, "s/1/consistency")
    for size in (STUDIO, {"width": 1000, "height": 1600}, LAPTOP):
        page.set_viewport_size(size)
        frame, drawn = page.locator("#plot").bounding_box(), page.locator("#plot svg").bounding_box()
        assert drawn["y"] + drawn["height"] <= frame["y"] + frame["height"] + 1
        assert drawn["x"] + drawn["width"] <= frame["x"] + frame["width"] + 1


def test_an_engineer_calls_a_group_of_noises_harmless_and_it_leaves_the_sheet(context, desk):
    page = come_in(context, desk, "edda", "engineer")
    opened(page, desk, "s/1/noise")
    before = page.locator(".group").count()
    assert before
    page.locator("[data-sound]").first.press("Enter")
    page.wait_for_function("() => window.started.length === 1")
    page.locator(".group [data-harmless]").first.press("Enter")
    page.wait_for_selector("#harmless")
    assert page.locator(".group").count() == before - 1
    page.get_by_role("button", name="Bring back").press("Enter")
    page.wait_for_function("() => !document.getElementById('harmless')")
    assert page.locator(".group").count() == before


def test_who_may_not_judge_sees_no_key_that_would_only_refuse(context, desk):
    page = come_in(context, desk, "edda", "engineer")
    opened(page, desk, "s/1/queue")
    shown = page.locator(".key").evaluate_all("all => all.map(one => one.dataset.does)")
    assert "neighbour" in shown and not {"accept", "reject", "unsure", "undo", "reason attack"} & set(shown)
    take = page.locator("#cell strong").inner_text()
    page.keyboard.press("KeyJ")
    page.keyboard.press("KeyU")
    settled(page)
    assert page.locator("#cell strong").inner_text() == take and page.locator("#pending").inner_text() == ""


def test_headline_picture_and_side_panel_say_the_same_numbers(context, desk):
    page = audition(context, desk)
    read = 0
    for _ in range(MOST):
        if page.locator("#measured b").count() and page.locator(".spot[aria-current]", has_text="note").count():
            found, expected = page.locator("#measured b").all_inner_texts()
            page.wait_for_function(
                "one => document.getElementById('near').getAttribute('aria-label').includes(one)", arg=found
            )
            words = page.locator("#near").get_attribute("aria-label")
            assert (
                f"{found}, expected {expected}, usually " in words
                or "wrong note" in page.locator("#spots").inner_text()
            )
            if "wrong note" not in page.locator(".spot[aria-current]").inner_text():
                assert page.locator("#numbers dd").first.inner_text() == found
            read += 1
        before = page.locator("#cell strong").inner_text()
        page.keyboard.press("KeyI")
        page.wait_for_function(
            "was => ![was, undefined].includes(document.querySelector('#cell strong')?.textContent)", arg=before
        )
    assert read > 2 and page.slips == []


def test_all_repetitions_of_a_cell_are_drawn_under_the_note(context, desk):
    engine = open_store(desk.store)
    with writing(engine) as db:  # as if each take were one pitch, played again and again
        db.execute(update(note).values(sheet_midi=60))
    engine.dispose()
    page = audition(context, desk)
    to_a_note(page)
    page.wait_for_function(
        "() => /other repetitions? of its cell/.test(document.getElementById('near').getAttribute('aria-label'))"
    )
    words = page.locator("#near").get_attribute("aria-label")
    assert int(re.search(r"and (\d+) other rep", words)[1]) > 1 and page.slips == []


def test_the_picture_has_half_of_the_page_and_nothing_jumps_from_take_to_take(context, desk):
    page = audition(context, desk)
    places = []
    for key in ("KeyI", "KeyI", "ArrowRight", "ArrowRight", "KeyL", "KeyL", "KeyJ", "KeyJ"):
        boxes = [
            page.locator(f"#{one}").bounding_box() for one in ("whole", "near", "bar", "recent", "numbers", "left")
        ]
        places.append([(box["x"], box["y"]) for box in boxes])
        assert boxes[1]["y"] + boxes[1]["height"] - boxes[0]["y"] >= LAPTOP["height"] / 2
        page.keyboard.press(key)
        page.wait_for_timeout(200)
    assert all(one == places[0] for one in places)


def test_with_the_keyboard_drawn_nothing_lies_over_anything_else(context, desk):
    page = audition(context, desk)
    for key in ("KeyJ", "KeyI", "KeyJ", "KeyI", "KeyJ", "KeyY"):
        page.keyboard.press(key)
        page.wait_for_timeout(100)
    parts = page.locator(".side > *:visible")
    boxes = [box for box in (one.bounding_box() for one in parts.all()) if box and box["height"]]
    assert len(boxes) > 6
    for upper, lower in pairwise(boxes):
        assert upper["y"] + upper["height"] <= lower["y"] + 1
    side, panel = page.locator(".side").bounding_box(), page.locator(".key-panel").bounding_box()
    assert side["y"] + side["height"] <= panel["y"] + 1


def test_the_pictures_show_the_spot_and_the_notes_in_words_too(context, desk):
    page = audition(context, desk)
    to_a_note(page)
    page.wait_for_function("() => document.getElementById('near').getAttribute('aria-label').includes('Spectrogram')")
    assert "the spot from 0:" in page.locator("#near").get_attribute("aria-label")
    assert "notes" in page.locator("#whole").get_attribute("aria-label")
    colours = page.locator("#near").evaluate(
        "one => new Set(one.getContext('2d').getImageData(0, 0, one.width, one.height).data).size"
    )
    assert colours > 50  # a picture and not an empty ground

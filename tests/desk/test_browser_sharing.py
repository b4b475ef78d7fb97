"""Two editors at one queue, side by side in real browsers, by keyboard alone."""

from datetime import UTC, datetime
from time import monotonic, sleep

from tests.desk.browsing import LAPTOP, come_in, desk_on, settled, verdicts_of
from triage.store.engine import open_store, reading, writing
from triage.store.leases import leases
from triage.store.shared_settings import save_shared_settings, shared_settings

NEXT = """was => document.getElementById('audition').hidden
    || ![was, undefined].includes(document.querySelector('#cell strong')?.textContent)"""

CALLED_OFF = """async () => {
    const { send } = await import("/static/desk.js"), leaving = new AbortController();
    setTimeout(() => leaving.abort(), 300);
    return send("/api/s/1/deal", { n: 3 }, { signal: leaving.signal }).then(() => "answered", () => "called off");
}"""


def card(page) -> str:
    return page.locator("#cell strong").inner_text()


def over(page) -> bool:
    return page.locator("#over").is_visible()


def accept(page) -> str:
    return decide(page, "KeyJ")


def decide(page, *keys: str) -> str:
    """Play the take on the screen, press keys that decide it, wait for the next or the end, and return its name."""
    take = card(page)
    for key in ("Space", *keys):
        page.keyboard.press(key)
    page.wait_for_function(NEXT, arg=take)
    return take


def at_the_queue(context, desk, name: str):
    page = come_in(context, desk, name)
    page.goto(f"{desk.address}/s/1/queue")
    page.wait_for_selector("#cell strong")
    return page


def set_for_all(desk, **settings) -> None:
    engine = open_store(desk.store)
    with writing(engine) as db:
        save_shared_settings(db, settings, "lena", datetime(2026, 3, 15, tzinfo=UTC))
    engine.dispose()


def until_nothing_is_dealt(desk, patience_s: float = 10.0) -> None:
    """Wait for what a page says as it goes; a busy machine takes a moment."""
    engine, ends = open_store(desk.store), monotonic() + patience_s
    while True:
        with reading(engine) as db:
            if not leases(db, 1, datetime(2000, 1, 1, tzinfo=UTC)):
                break
        assert monotonic() < ends, "the page went and gave nothing back"
        sleep(0.05)
    engine.dispose()


def test_two_editors_work_a_day_and_hear_no_take_twice_though_one_loses_the_connection(browser, desk, demo):
    set_for_all(desk, share_for_two=0.0)
    with browser.new_context(viewport=LAPTOP) as hers, browser.new_context(viewport=LAPTOP) as his:
        anna, ben = at_the_queue(hers, desk, "anna"), at_the_queue(his, desk, "ben")
        heard = {"anna": [], "ben": []}
        assert card(anna) != card(ben)
        torn = decide(anna, "KeyO", "KeyL")
        heard["anna"].append(torn)
        heard["ben"].append(accept(ben))
        assert card(anna) != card(ben)
        heard["anna"].append(accept(anna))
        heard["ben"].append(accept(ben))
        anna.wait_for_function("() => document.getElementById('others').textContent.includes('ben')")
        ben.wait_for_function("() => Number(document.getElementById('audition').dataset.ready) > 1")
        his.set_offline(True)
        heard["ben"].append(accept(ben))  # those ahead are here already
        kept = card(ben)
        ben.wait_for_function("() => document.getElementById('pending').textContent.includes('kept on this machine')")
        while not over(anna):
            heard["anna"].append(accept(anna))
        settled(anna)
        assert "other people's screens" in anna.locator("#over h2").inner_text()
        assert kept not in heard["anna"]
        his.set_offline(False)
        while not over(ben):
            heard["ben"].append(accept(ben))
        settled(ben)
        anna.wait_for_function("() => document.getElementById('over').innerText.includes('Nothing is left')")
        stored = verdicts_of(desk.store)
        assert [(one.by, one.take) for one in stored if one.verdict == "reject"] == [("anna", torn)]
        given = [(one.by, one.take) for one in stored]
        assert sorted(given) == sorted((name, take) for name, takes in heard.items() for take in takes)
        assert sorted(take for _, take in given) == sorted(demo.takes)  # each once


def test_a_take_dealt_to_two_says_so_and_hides_what_the_other_said(browser, desk, demo):
    set_for_all(desk, share_for_two=1.0)
    with browser.new_context() as hers, browser.new_context() as his:
        anna = at_the_queue(hers, desk, "anna")
        first = accept(anna)
        settled(anna)
        ben = at_the_queue(his, desk, "ben")
        accept(ben)
        ben.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=first)
        assert "two people on purpose" in ben.locator("#back").inner_text()
        assert "anna" not in ben.locator("#verdicts").inner_text()


def test_a_lead_sets_for_everybody_who_settles_and_how_many_takes_two_people_hear(context, desk):
    page = come_in(context, desk, "lena", "lead")
    page.goto(f"{desk.address}/s/1/queue")
    page.wait_for_selector("#cell strong")
    page.keyboard.press("KeyH")
    page.get_by_label("Heard by two people on purpose").fill("20")
    page.get_by_label("lead", exact=True).check()
    page.wait_for_function("() => document.getElementById('announcement').textContent === 'Set for everybody'")
    page.wait_for_function(
        "() => fetch('/api/shared-settings').then(answer => answer.json()).then(all => all.settled_by.length === 2)"
    )
    page.reload()
    page.wait_for_selector("#cell strong")
    engine = open_store(desk.store)
    with reading(engine) as db:
        assert shared_settings(db) == {"share_for_two": 0.2, "settled_by": ["lead", "producer"]}
    engine.dispose()


def test_a_page_that_is_closed_gives_its_takes_back(browser, desk):
    with browser.new_context() as hers, browser.new_context() as his:
        anna = at_the_queue(hers, desk, "anna")
        first = card(anna)
        anna.goto(f"{desk.address}/")
        until_nothing_is_dealt(desk)
        ben = at_the_queue(his, desk, "ben")
        assert card(ben) == first


def test_takes_are_not_dealt_to_a_page_that_no_longer_waits_for_them(browser, desk):
    engine = open_store(desk.store)
    with browser.new_context() as hers:
        anna = come_in(hers, desk, "anna")
        with writing(engine):  # a deal has to wait for its turn, and the page goes meanwhile
            assert anna.evaluate(CALLED_OFF) == "called off"
        sleep(1.0)  # for the deal to have its turn
        until_nothing_is_dealt(desk, patience_s=0.0)
    engine.dispose()


def test_what_a_colleague_says_of_the_take_on_the_screen_appears_at_once(browser, desk):
    with browser.new_context() as hers, browser.new_context() as his:
        anna = at_the_queue(hers, desk, "anna")
        take = card(anna)
        ben = come_in(his, desk, "ben")
        ben.goto(f"{desk.address}/s/1/queue/list?show=all")
        ben.get_by_role("link", name=take, exact=True).press("Enter")
        ben.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=take)
        ben.wait_for_function("() => document.getElementById('others').textContent.includes('as well')")
        ben.keyboard.press("KeyO")
        ben.keyboard.press("KeyL")
        anna.wait_for_function("() => document.getElementById('verdicts').innerText.includes('ben')")
        assert card(anna) == take


def test_who_leaves_the_keys_alone_gives_the_takes_back_and_any_key_goes_on(browser, store):
    with desk_on(store, idle_s=1.5) as desk, browser.new_context() as hers, browser.new_context() as his:
        anna = at_the_queue(hers, desk, "anna")
        anna.wait_for_function("() => document.getElementById('others').textContent.includes('given back')")
        take = card(anna)
        ben = at_the_queue(his, desk, "ben")
        assert card(ben) == take
        ben.keyboard.press("KeyP")
        anna.keyboard.press("KeyP")
        anna.wait_for_function("was => document.querySelector('#cell strong')?.textContent !== was", arg=take)

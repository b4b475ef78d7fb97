"""A whole review in a real browser, by keyboard alone, and what must not be lost on the way."""

import re

from tests.desk.browsing import LAPTOP, MOST, audition, come_in, let_differ, settled, to_a_note, verdicts_of, watched
from triage.judge.active_learning import Mix
from triage.store.engine import open_store, reading
from triage.store.notes import notes
from triage.store.standing import take_verdicts
from triage.store.takes import take_ids

# What of the list of verdicts shows without scrolling it.
IN_SIGHT = """() => {
    const box = document.getElementById('verdicts'), { bottom } = box.getBoundingClientRect();
    return [...box.children].filter(one => one.getBoundingClientRect().bottom <= bottom).map(one => one.innerText);
}"""


def card(page) -> str:
    return page.locator("#cell strong").inner_text()


def press_until_next(page, keys: str) -> str:
    """Press the keys that decide, wait for another take or the end, and return the take decided on."""
    before = card(page)
    for key in keys.split():
        page.keyboard.press(key)
    page.wait_for_function(
        "was => document.getElementById('audition').hidden"
        " || ![was, undefined].includes(document.querySelector('#cell strong')?.textContent)",
        arg=before,
    )
    return before


def test_a_whole_session_is_reviewed_without_the_mouse(context, desk, demo):
    page = come_in(context, desk)
    link = page.get_by_role("link", name="Listen")
    for _ in range(40):  # by the tab key alone, as somebody without a mouse would
        if link.evaluate("one => one === document.activeElement"):
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#cell strong")
    pressed = {}
    keys = ["KeyJ", "KeyO KeyL", "KeyO Digit3 KeyL", "KeyJ", "Digit5 KeyK", "KeyJ"]
    while page.locator("#audition").is_visible():
        page.keyboard.press("Space")
        key = keys[len(pressed) % len(keys)]
        take = press_until_next(page, key)
        assert take not in pressed, "a take came back that had its verdict"
        pressed[take] = key
    assert page.get_by_role("heading", name="Nothing is left for you to hear").is_visible()
    assert pressed.keys() == demo.takes
    settled(page)
    stored = verdicts_of(desk.store)
    assert [one.take for one in stored] == list(pressed)
    words = {"KeyJ": "accept", "KeyO KeyL": "reject", "KeyO Digit3 KeyL": "reject", "Digit5 KeyK": "unsure"}
    assert [(one.verdict, one.note) for one in stored] == [(words[key], None) for key in pressed.values()]
    reasons = dict(zip(pressed, (one.reason for one in stored), strict=True))
    assert all(
        reasons[take] == {"KeyO Digit3 KeyL": "length", "Digit5 KeyK": "tone"}[key]
        for take, key in pressed.items()
        if key in ("KeyO Digit3 KeyL", "Digit5 KeyK")
    )
    assert page.slips == []


def test_a_reject_is_of_the_note_in_the_headline_and_an_accept_leaves_it_so(context, desk):
    page = audition(context, desk)
    to_a_note(page)
    take, kind = card(page), page.locator(".spot[aria-current] b").inner_text()
    note = int(page.locator(".note[aria-current]").get_attribute("data-note"))
    assert page.locator("#statement").inner_text().startswith(f"Note {note},")
    page.keyboard.press("KeyL")
    page.wait_for_selector(f'.note[data-note="{note}"] .verdict.reject')
    assert card(page) == take
    press_until_next(page, "KeyJ")
    settled(page)
    given = [(one.take, one.note, one.verdict, one.reason) for one in verdicts_of(desk.store)]
    assert given == [(take, note, "reject", kind.replace(" ", "-")), (take, None, "accept", None)]
    store = open_store(desk.store)
    with reading(store) as db:
        stands = take_verdicts(db, take_ids(db, 1)[take])
    store.dispose()
    numbers = range(1, page_notes(desk, take) + 1)
    assert {n: stands.outcome(n).verdict for n in numbers} == {
        n: "reject" if n == note else "accept" for n in numbers
    }


def page_notes(desk, take: str) -> int:
    """Return how many notes a take has."""
    store = open_store(desk.store)
    with reading(store) as db:
        found = len(notes(db, 1, take))
    store.dispose()
    return found


def test_any_notes_are_walked_to_by_the_arrow_keys_and_several_marked(context, desk):
    page = audition(context, desk)
    to_a_note(page)
    take, last = card(page), page.locator(".note").count()
    assert last > 2
    for _ in range(last):
        page.keyboard.press("ArrowLeft")
    page.keyboard.press("KeyN")
    page.keyboard.press("ArrowRight")
    assert page.locator('.note[data-note="2"]').get_attribute("aria-current") == "true"
    page.keyboard.press("KeyN")
    assert page.locator("#target").inner_text() == "Verdict on notes 1 and 2"
    page.keyboard.press("Digit2")
    page.keyboard.press("KeyL")
    settled(page)
    given = [(one.take, one.note, one.verdict, one.reason) for one in verdicts_of(desk.store)]
    assert given == [(take, 1, "reject", "attack"), (take, 2, "reject", "attack")]
    page.keyboard.press("KeyU")  # one key, one undo
    settled(page)
    assert verdicts_of(desk.store) == []


def test_a_slip_on_a_reason_decides_nothing_and_the_next_take_starts_from_its_note(context, desk):
    page = audition(context, desk)
    to_a_note(page)
    take = card(page)
    for key in ("Digit1", "Minus", "KeyO"):
        page.keyboard.press(key)
    assert card(page) == take and "whole take" in page.locator("#target").inner_text()
    press_until_next(page, "KeyI")
    to_a_note(page)
    assert page.locator("#target").inner_text().startswith("Verdict on note ")
    settled(page)
    assert verdicts_of(desk.store) == []


def test_the_last_decisions_stay_in_sight_and_each_can_be_undone(context, desk):
    page = audition(context, desk)
    decided = [press_until_next(page, key) for key in ("KeyJ", "KeyI", "KeyO KeyL", "KeyJ")]
    lines = page.locator("#recent li").all_inner_texts()
    assert [line.split()[1].strip(",") for line in lines] == decided[::-1] and lines[2].startswith("later")
    page.locator("#recent li", has_text=decided[0]).get_by_role("button").press("Enter")
    page.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=decided[0])
    settled(page)
    assert [one.take for one in verdicts_of(desk.store)] == decided[2:]
    page.reload()
    page.wait_for_selector("#cell strong")
    page.locator("#recent li", has_text=decided[1]).get_by_role("button").press("Enter")  # put off no longer
    page.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=decided[1])


def test_a_key_can_be_put_elsewhere_and_stays_there(context, desk):
    page = audition(context, desk)
    page.keyboard.press("KeyH")
    page.get_by_role("button", name="accept: J, change").press("Enter")
    page.keyboard.press("KeyW")
    page.keyboard.press("Escape")
    page.reload()
    page.wait_for_selector("#cell strong")
    take = card(page)
    page.keyboard.press("KeyJ")
    assert card(page) == take
    press_until_next(page, "KeyW")
    settled(page)
    assert [(one.take, one.verdict) for one in verdicts_of(desk.store)] == [(take, "accept")]


def test_undo_goes_back_any_number_of_steps_and_further_back_than_the_page(context, desk):
    page = audition(context, desk)
    decided = [press_until_next(page, "KeyJ") for _ in range(4)]
    for take in decided[:1:-1]:
        page.keyboard.press("KeyU")
        assert card(page) == take
    page.reload()
    page.wait_for_selector("#cell strong")
    page.keyboard.press("Backspace")
    page.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=decided[1])
    settled(page)
    assert [one.take for one in verdicts_of(desk.store)] == decided[:1]


def test_a_comment_is_kept_with_the_verdict_and_its_letters_press_no_keys(context, desk):
    page = audition(context, desk)
    take = card(page)
    page.keyboard.press("KeyM")
    page.keyboard.type("jaunty, but keeps flat")
    page.keyboard.press("Enter")
    assert card(page) == take
    press_until_next(page, "KeyK")
    settled(page)
    (given,) = verdicts_of(desk.store)
    assert (given.verdict, given.comment) == ("unsure", "jaunty, but keeps flat")
    page.keyboard.press("KeyU")  # taken back, it need not be typed again
    page.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=take)
    assert page.locator("#comment").input_value() == "jaunty, but keeps flat"


def test_a_reload_in_the_middle_loses_nothing(context, desk):
    page = audition(context, desk)
    decided = [press_until_next(page, "KeyJ"), press_until_next(page, "KeyO KeyL")]
    before = card(page)
    page.keyboard.press("KeyM")
    page.keyboard.type("half a thought")
    page.reload()
    page.wait_for_selector("#cell strong")
    assert card(page) == before
    assert page.locator("#comment").input_value() == "half a thought"
    settled(page)
    assert [one.take for one in verdicts_of(desk.store)] == decided


def test_the_desk_killed_and_started_again_in_the_middle_loses_nothing(context, mortal_desk):
    desk = mortal_desk
    page = audition(context, desk)
    decided = [press_until_next(page, "KeyJ")]
    settled(page)
    page.wait_for_function(  # the take decided, the one on the screen and the two ahead of it
        "() => new Set(performance.getEntriesByType('resource')"
        ".map(one => one.name.match(/takes\\/(\\d+)\\/picture/)?.[1]).filter(Boolean)).size >= 4"
    )
    desk.stop()
    decided += [press_until_next(page, "KeyO KeyL"), press_until_next(page, "KeyJ")]  # those ahead are here already
    page.wait_for_function("() => document.getElementById('pending').textContent.includes('kept on this machine')")
    desk.start()
    page.wait_for_function("() => document.getElementById('pending').textContent === ''", timeout=30_000)
    page.wait_for_selector("#cell strong")
    decided.append(press_until_next(page, "KeyJ"))
    settled(page)
    assert [one.take for one in verdicts_of(desk.store)] == decided
    page.reload()
    page.wait_for_selector("#cell strong")
    assert card(page) not in decided


def test_what_was_said_while_the_desk_was_away_outlives_the_page(context, desk):
    page = audition(context, desk)
    desk.stop()
    take = press_until_next(page, "KeyO KeyL")
    page.close()
    desk.start()
    page = audition(context, desk, enter=False)
    settled(page)
    assert [one.take for one in verdicts_of(desk.store)] == [take]
    assert card(page) != take


def test_what_was_not_sent_is_sent_from_whatever_page_is_opened_next(context, desk):
    page = audition(context, desk)
    desk.stop()
    take = press_until_next(page, "KeyO KeyL")
    page.close()
    desk.start()
    page = watched(context)
    page.goto(f"{desk.address}/s/1/arrivals")
    settled(page)
    assert [(one.take, one.verdict) for one in verdicts_of(desk.store)] == [(take, "reject")]
    assert page.slips == []


def test_a_copy_that_is_cut_short_says_what_to_do_and_its_bytes_stand_under_details(context, desk):
    page = audition(context, desk)
    for _ in range(MOST):
        if "cut short" in page.locator("#statement").inner_text():
            break
        press_until_next(page, "KeyI")
    assert page.locator("#statement").inner_text().endswith("fetch it again")
    assert "bytes" not in page.locator("#statement").inner_text()
    page.locator("#measured summary").press("Enter")
    assert "bytes of samples promised" in page.locator("#measured details").inner_text()


def test_two_people_who_differ_are_both_shown(context, desk, browser):
    page = audition(context, desk)
    take = card(page)
    press_until_next(page, "KeyJ")
    settled(page)
    with browser.new_context() as other:
        page = come_in(other, desk, "ben", "producer")
        page.goto(f"{desk.address}/s/1/queue/list?show=all")
        page.get_by_role("link", name=take).click()
        page.wait_for_function("take => document.querySelector('#cell strong')?.textContent === take", arg=take)
        page.keyboard.press("KeyO")
        page.keyboard.press("KeyL")
        settled(page)
        page.goto(f"{desk.address}/s/1/queue/list?show=disputed")
        row = page.get_by_role("row").filter(has_text=take)
        assert row.locator(".verdict.accept").is_visible() and row.locator(".verdict.reject").is_visible()
        row.get_by_role("link", name=take).click()
        page.wait_for_selector(".split")
        assert "anna accept" in page.locator(".split").inner_text()


def test_a_producer_walks_the_disputes_and_settles_each_with_a_reason(browser, desk):
    takes = []
    for name, keys in (("anna", "KeyJ"), ("ben", "KeyO KeyL")):
        with browser.new_context() as context:
            page = come_in(context, desk, name)
            for take in takes or [None, None]:
                page.goto(f"{desk.address}/s/1/queue{f'?take={take}' if take else ''}")
                page.wait_for_selector("#cell strong")
                if not take:
                    takes.append(
                        page.evaluate("fetch('/api/s/1/next?n=1').then(a => a.json()).then(a => a.takes[0].id)")
                    )
                press_until_next(page, keys)
                settled(page)
    with browser.new_context() as context:
        page = come_in(context, desk, "petra", "producer")
        page.goto(f"{desk.address}/s/1/queue/list?show=disputed")
        page.get_by_role("link", name="Hear them in a row").press("Enter")
        page.wait_for_selector(".split")
        assert page.locator("#left").inner_text() == "2 takes that people differ on"
        assert page.locator(".key[data-does=unsure]").count() == 0
        for keys in ("KeyO KeyJ", "KeyO Digit2 KeyL"):
            take = card(page)
            if keys == "KeyO KeyJ":
                page.keyboard.press("KeyO")
                page.keyboard.press("KeyJ")  # without a reason nothing is settled
                assert "with a reason" in page.locator("#announcement").inner_text() and card(page) == take
                page.keyboard.press("KeyO")
                page.keyboard.press("KeyM")
                page.keyboard.type("it is in character")
                page.keyboard.press("Enter")
            press_until_next(page, keys)
        page.wait_for_function("() => document.getElementById('over').innerText.includes('Nobody differs')")
        settled(page)
        assert page.slips == []
    given = [(one.by, one.verdict, one.reason, one.comment) for one in verdicts_of(desk.store)][-2:]
    assert given == [("petra", "accept", None, "it is in character"), ("petra", "reject", "attack", None)]


def test_everybodys_reasons_are_in_sight_where_a_dispute_is_settled(browser, desk):
    take = let_differ(desk.store)
    for name, role, said in (("petra", "producer", "Settles note 1"), ("carla", "editor", "the producer settles")):
        with browser.new_context(viewport=LAPTOP) as context:
            page = come_in(context, desk, name, role)
            page.get_by_role("link", name="1", exact=True).press("Enter")
            page.wait_for_selector(".split")
            assert card(page) == take
            said_of_it = " ".join(page.evaluate(IN_SIGHT))
            assert "reject note 1, anna: attack" in said_of_it and "accept note 1, ben “in character”" in said_of_it
            assert said in page.locator("#target").inner_text()
            assert page.slips == []


def test_takes_that_come_in_appear_by_themselves(context, growing, demo):
    page = audition(context, growing.desk)
    assert page.locator("#left b").first.inner_text() == f"{len(demo.takes) - 1} takes"
    before = card(page)
    growing.arrive()
    page.wait_for_function("n => document.querySelector('#left b').textContent === `${n} takes`", arg=len(demo.takes))
    assert card(page) == before, "the take in hand was taken away"
    assert page.slips == []


def test_one_can_stop_only_where_a_random_sample_agrees_and_the_bound_is_the_persons_own(context, desk, monkeypatch):
    monkeypatch.setattr("triage.desk.takes.MIX", Mix(0, 1.0, 0))  # every take comes as part of the sample
    page = audition(context, desk)
    page.locator("#bound").fill("99")
    page.keyboard.press("Tab")
    page.wait_for_function(
        "() => document.getElementById('left').textContent.includes('no random sample says so yet')"
    )
    page.locator("#statement").focus()
    for _ in range(MOST):
        press_until_next(page, "KeyJ")
        settled(page)
        if page.locator("#left .sampled", has_text="by random sample").count():
            break
    page.wait_for_selector("#left .stop")
    line = page.locator("#left").inner_text()
    assert re.search(r"by random sample [\d.]+, from \d+ to \d+ \(\d+ heard\)You can stop here", line)
    page.locator("#bound").fill("0")
    page.keyboard.press("Tab")
    page.wait_for_function("() => !document.querySelector('#left .stop')")
    page.reload()
    page.wait_for_selector("#cell strong")
    assert page.locator("#bound").input_value() == "0"

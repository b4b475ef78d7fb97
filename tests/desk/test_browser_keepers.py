"""The page of the keepers in a real browser."""

from playwright.sync_api import expect

from tests.desk.browsing import LAPTOP, come_in


def at(browser, desk, path, role):
    page = come_in(browser.new_context(viewport=LAPTOP), desk, f"{role}-person", role=role)
    page.set_default_timeout(20_000)
    page.goto(f"{desk.address}/s/1/{path}")
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    return page


def test_a_note_is_locked_into_its_cell_and_freed_by_undo(browser, desk):
    page = at(browser, desk, "keepers", "lead")
    page.keyboard.press("ArrowDown")
    assert page.locator("#keeper-now").inner_text() != ""
    page.keyboard.press("l")
    page.wait_for_selector(".keep-note.locked")
    page.keyboard.press("u")
    page.wait_for_function("() => !document.querySelector('.keep-note.locked')")
    page.keyboard.press("Space")
    page.wait_for_selector(".keep-note.plays")
    page.keyboard.press("Escape")
    page.context.close()


def test_one_key_plays_cell_after_cell_and_what_sounds_can_be_locked(context, desk):
    page = come_in(context, desk, "lead-person", role="lead")
    page.goto(f"{desk.address}/s/1/keepers")
    first, second = (page.locator(".keep-cell").nth(n).locator(".keep-note") for n in (0, 1))
    page.keyboard.press("n")
    page.wait_for_function("() => window.started.length === 1")
    expect(first.first).to_be_focused()
    page.wait_for_function(f"() => window.started.length === {first.count()}")  # one after another
    expect(first.last).to_be_focused()
    page.keyboard.press("n")
    expect(second.first).to_be_focused()
    page.keyboard.press("l")
    name = second.first.get_attribute("id")
    page.locator(f"#{name}.locked").wait_for()
    page.keyboard.press("u")
    page.wait_for_function("() => !document.querySelector('.keep-note.locked')")
    page.keyboard.press("d")
    assert page.slips == []

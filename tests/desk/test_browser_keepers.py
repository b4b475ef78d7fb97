"""The page of the keepers in a real browser."""

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

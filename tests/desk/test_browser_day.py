"""A day at the desk in a real browser: the lead after a take, the engineer at the end, the lead with the library."""

from tests.desk.browsing import LAPTOP, come_in


def at(browser, desk, path, role):
    page = come_in(browser.new_context(viewport=LAPTOP), desk, f"{role}-person", role=role)
    page.set_default_timeout(20_000)
    page.goto(f"{desk.address}/s/1/{path}")
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    return page


def test_the_last_take_is_settled_by_one_key_and_comes_next_again(browser, desk):
    page = at(browser, desk, "played", "lead")
    name = page.locator(".latest h2 a").inner_text()
    page.keyboard.press("f")
    page.wait_for_selector(".latest .acts >> text=heard: fine")
    page.keyboard.press("g")
    page.wait_for_selector(f".next >> text={name} again")
    assert page.locator(".latest .acts >> text=to be played again").count() == 1
    page.context.close()


def test_the_engineer_settles_a_file_and_corrects_a_noise(browser, desk):
    page = at(browser, desk, "arrivals", "engineer")
    page.locator("[data-action='will-not-come']").first.click()
    page.wait_for_selector("td >> text=will not come")
    assert "engineer-person" in page.locator("#arrived").inner_text()
    page.goto(f"{desk.address}/s/1/noise")
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    page.locator("[data-members]").first.click()
    page.wait_for_selector(".members li[aria-current]")
    before = page.locator(".members li").count()
    page.keyboard.press("n")
    current = page.locator(".members li[aria-current]")
    assert current.count() == 1 and before >= 1
    take = current.locator("span").first.inner_text()
    current.locator("select").select_option("")
    with page.expect_response(lambda answer: "/noise/hits/" in answer.url) as answered:
        current.locator("button:has-text('Correct')").click()
    assert answered.value.ok and take
    page.wait_for_selector("#announcement >> text=No noise")
    page.context.close()


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

"""The page of what was just played, in a real browser, while a real watch takes a take in."""

import threading

from tests.desk.browsing import LAPTOP, come_in
from triage.intake.arriving import WaitingTimes
from triage.store.engine import open_store
from triage.watch import Follower, watch


def test_a_take_that_is_recorded_appears_with_what_to_do_by_itself(browser, growing, demo):
    last, engine, ending = max(demo.takes), open_store(growing.desk.store), threading.Event()

    follower = Follower(growing.folder, engine, WaitingTimes(0.3, 5.0, 1.0), lambda one: None, lambda line: None)
    watching = threading.Thread(target=watch, args=(follower, None, ending))
    with browser.new_context(viewport=LAPTOP) as context:
        page = come_in(context, growing.desk, role="lead")
        page.goto(f"{growing.desk.address}/s/1/played")
        assert page.locator(f"h2:has-text('{last}')").count() == 0
        watching.start()
        try:
            growing.bring()
            page.wait_for_selector(f"h2:has-text('{last}')")
            advice = page.locator(".latest, .one", has=page.locator(f"h2:has-text('{last}')")).locator(".advice")
            # it appears as soon as it is there, and is ranked then
            advice.filter(has_not_text="Not judged yet").wait_for()
        finally:
            ending.set()
            watching.join()
            engine.dispose()
        assert advice.inner_text().strip() in ("Go again?", "Listen once", "Nothing stands out")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

"""How soon it sounds: ``python -m tests.bench.first_sound``, in Chromium, in a session of many takes or a short one.

From a key to the start of its sound (the moment that the browser's clock of sound is told to begin; what the sound
card adds is not in it), on a page just opened and later; and from a verdict to the next take on the screen and to its
first sound, which says whether it was ready before it was asked for. No test: it asserts nothing.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from tests.bench.desk import line
from tests.bench.filled import fill
from tests.desk.browsing import EARS, LAPTOP, DeskProcess, audition, desk_on, make_session, open_browser
from triage.store.engine import open_store

TOLD = """
window.shown = null;
addEventListener("DOMContentLoaded", () => {
  const cell = document.getElementById("cell");
  const watching = new MutationObserver(() => (window.shown = performance.now()));
  if (cell) watching.observe(cell, { childList: true, subtree: true });
});
"""


def main() -> None:
    """Open pages, press keys, and print what was waited for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pages", type=int, default=10, help="opened anew")
    parser.add_argument("--keys", type=int, default=20, help="pressed on an open page")
    parser.add_argument("--takes", type=int, default=3000, help="of numbers at random; 0: a short invented session")
    chosen = parser.parse_args()
    print(f"{'from a key, in ms':64}{'median':>8}{'95 %':>8}{'most ms':>8}")
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        store = made(Path(home), chosen.takes)
        browser = open_browser(playwright)
        with desk_on(store, DeskProcess) as desk, browser.new_context(viewport=LAPTOP) as context:
            for script in (EARS, TOLD):
                context.add_init_script(script)
            page = audition(context, desk)
            first = [opened(page) for _ in range(chosen.pages)]
            line("first key on a page just opened, to its sound (aim 100)", np.array(first))
            later = [pressed(page, "KeyF") for _ in range(chosen.keys)]
            line("later keys, to their sound (aim 100)", np.array(later))
            shown, heard = zip(*(decided(page) for _ in range(chosen.keys // 4)), strict=True)
            line("a verdict, to the next take on the screen", np.array(shown))
            line("a verdict, to the first sound of the next take", np.array(heard))
        browser.close()


def made(home: Path, n_takes: int) -> str:
    """Make a store with so many takes in one session; return its address."""
    if not n_takes:
        return f"sqlite:///{make_session(home / 'session') / 'triage.db'}"
    store = f"sqlite:///{home / 'store.db'}"
    engine = open_store(store)
    fill(engine, home / "day", 1, n_takes)
    engine.dispose()
    return store


def opened(page: Page) -> float:
    """Open the page anew and press the key of the spot as soon as a take is on it."""
    page.reload()
    page.wait_for_selector("#cell strong")
    page.wait_for_timeout(300)  # a person looks first
    return pressed(page, "KeyF")


def pressed(page: Page, key: str) -> float:
    """Press a key and return how long it took to sound."""
    before = page.evaluate("window.started.length")
    page.keyboard.press(key)
    page.wait_for_function("n => window.started.length > n", arg=before)
    return float(page.evaluate("window.started.at(-1).at - window.pressed"))


def decided(page: Page) -> tuple[float, float]:
    """Give a verdict; return how long it took to show the next take, and to sound it."""
    page.wait_for_timeout(500)  # nobody decides faster
    page.evaluate("window.shown = null")
    heard = pressed(page, "KeyJ")
    page.wait_for_function("() => window.shown !== null")
    return float(page.evaluate("window.shown - window.pressed")), heard


if __name__ == "__main__":
    main()

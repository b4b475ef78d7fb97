"""One browser for all browser tests, a short session taken in once, a desk on a copy of its store for each test."""

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, sync_playwright
from sqlalchemy import update

from tests.desk.browsing import (
    CHROMIUM,
    EARS,
    LAPTOP,
    Desk,
    DeskProcess,
    desk_on,
    make_session,
    make_store,
    open_browser,
    take_in_again,
    takes_in,
)
from triage.analysis import workers
from triage.store.engine import open_store, writing
from triage.store.tables import session


@dataclass(frozen=True)
class Demo:
    """The short session's folder, its store and the names of its takes."""

    folder: Path
    store: Path
    takes: frozenset[str]


@dataclass(frozen=True)
class Growing:
    """A desk on a session that lacks a take, and how that take comes in."""

    desk: Desk
    folder: Path
    aside: Path

    def arrive(self) -> None:
        """Put the lacking files in the folder and take the session in again."""
        self.bring()
        take_in_again(self.desk.store, self.folder)

    def bring(self) -> None:
        """Put the lacking files in the folder."""
        for path in self.aside.iterdir():
            path.rename(self.folder / "audio" / path.name)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        lacking = pytest.fail if os.environ.get("CI") else pytest.skip
        lacking("no Chromium on this machine")
    with sync_playwright() as playwright:
        opened = open_browser(playwright)
        yield opened
        opened.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    with browser.new_context(viewport=LAPTOP) as opened:
        opened.add_init_script(EARS)
        yield opened


@pytest.fixture(scope="session")
def one_process() -> Iterator[None]:
    """Listen in this process: starting others takes longer than a few short takes do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workers, "cores", lambda: 1)
        yield


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, one_process: None) -> Demo:
    folder = make_session(tmp_path_factory.mktemp("demo") / "session")
    store = folder / "triage.db"
    return Demo(folder, store, frozenset(takes_in(f"sqlite:///{store}")))


@pytest.fixture
def store(demo: Demo, tmp_path: Path) -> str:
    """Return the address of a copy of the demo's store."""
    shutil.copy(demo.store, tmp_path / "store.db")
    return f"sqlite:///{tmp_path / 'store.db'}"


@pytest.fixture
def desk(store: str) -> Iterator[Desk]:
    with desk_on(store) as running:
        yield running


@pytest.fixture
def mortal_desk(store: str) -> Iterator[Desk]:
    """Serve from a process of its own, which a test may kill and start again."""
    with desk_on(store, DeskProcess) as running:
        yield running


@pytest.fixture
def empty_desk(tmp_path: Path) -> Iterator[Desk]:
    with desk_on(make_store(tmp_path / "empty.db")) as running:
        yield running


@pytest.fixture
def growing(demo: Demo, store: str, tmp_path: Path) -> Iterator[Growing]:
    """Serve the session without its last take; the files are links, the demo's own stay as they are."""
    folder, aside = tmp_path / "session", tmp_path / "aside"
    shutil.copytree(demo.folder, folder, copy_function=os.link)
    aside.mkdir()
    for path in (folder / "audio").glob(f"{max(demo.takes)}_*"):
        path.rename(aside / path.name)
    engine = open_store(store)
    with writing(engine) as db:  # this copy's session lies here, and was taken in from here
        db.execute(update(session).values(folder=str(folder)))
    engine.dispose()
    take_in_again(store, folder)
    with desk_on(store) as running:
        yield Growing(running, folder, aside)

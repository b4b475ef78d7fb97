"""What browser tests share: a small invented session taken in once, a desk that serves a copy of it, a browser.

The session is rendered and taken in by the demo's own code with a shorter recipe. Each desk serves its own copy of
the store, so that no test sees another's verdicts. Without Chromium the browser tests skip.
"""

import contextlib
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from urllib.error import URLError

import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, Playwright

from training.demo_session import DemoRecipe, render_demo
from triage.config import read_toml, shipped
from triage.desk.app import create_app
from triage.desk.background_jobs import make_sheet
from triage.desk.serving import Server
from triage.desk.settings import DeskSettings
from triage.desk.sheet_views import SHEETS
from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.verdict import Verdict
from triage.pipeline import take_in
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, reading, writing
from triage.store.review import next_takes
from triage.store.standing import history
from triage.store.takes import take_ids
from triage.store.verdicts import record_verdict

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
COMMAND = (sys.executable, "-c", "from triage.cli.main import main; main()", "desk")
PARTS, MOST, SPOILT = 2, 12, 0.5  # of the demo's recipe: enough for a queue, soon rendered
START_S = 60.0  # for a desk to answer, on a machine that does much else
PATIENCE_MS = 120_000  # for a page, on a machine that does much else
LAPTOP, STUDIO = {"width": 1280, "height": 720}, {"width": 1920, "height": 1080}
DESK, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}


@dataclass
class Desk:
    """A desk on a port that stays the same when it is started again; in a thread of the test's own process."""

    store: str
    settings: dict[str, float] = field(default_factory=dict)  # beside the usual ones
    port: int = field(default_factory=lambda: free_port())
    server: Server | None = None
    thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        app = create_app(DeskSettings(store=self.store, port=self.port, poll_s=0.1, **self.settings))
        self.server = Server(uvicorn.Config(app, port=self.port, log_level="error", timeout_graceful_shutdown=10))
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()
        self.wait()

    def wait(self) -> None:
        """Wait until the desk answers."""
        until = time.monotonic() + START_S
        while not self.answers():
            assert time.monotonic() < until, "the desk does not answer"
            time.sleep(0.02)

    def answers(self) -> bool:
        with contextlib.suppress(URLError, OSError), urllib.request.urlopen(f"{self.address}/sign-in", timeout=5):
            return True
        return False

    def stop(self) -> None:
        if self.server is not None and self.thread is not None:
            self.server.should_exit = True
            self.thread.join()
            self.server = self.thread = None


class DeskProcess(Desk):
    """A desk in a process of its own, as `triage desk` starts it, that can be killed at any moment."""

    process: subprocess.Popen | None = None

    def start(self) -> None:
        self.process = subprocess.Popen([*COMMAND, "--port", str(self.port), "--store", self.store])
        self.wait()

    def stop(self) -> None:
        """End it at once, as a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return listening.getsockname()[1]


def make_session(folder: Path) -> Path:
    """Render and take in a short demo; return the folder with its store ``triage.db``."""
    recipe = read_toml(shipped("configs/demo.toml"), DemoRecipe)
    recipe = recipe.model_copy(
        update={
            "parts": recipe.parts[:PARTS],
            "takes": recipe.takes.model_copy(update={"most": MOST}),
            "faults": recipe.faults.model_copy(update={"share": SPOILT}),
        }
    )
    render_demo(folder, recipe)
    make_store(folder / "triage.db", folder)
    return folder


def make_store(path: Path, folder: Path | None = None) -> str:
    """Make a store, empty or with a session taken in; return its address."""
    store = f"sqlite:///{path}"
    if folder is None:
        open_store(store).dispose()
    else:
        take_in_again(store, folder)
        engine = open_store(store)
        for what in SHEETS:
            make_sheet(engine, what, 1)  # so that not every test's desk has to
        engine.dispose()
    return store


def take_in_again(store: str, folder: Path) -> None:
    engine = open_store(store)
    take_in(folder, engine)
    engine.dispose()


def takes_in(store: str) -> list[str]:
    engine = open_store(store)
    with reading(engine) as db:
        found = list(take_ids(db, 1))
    engine.dispose()
    return found


@contextlib.contextmanager
def desk_on(store: str, kind: type[Desk] = Desk, **settings: float) -> Iterator[Desk]:
    """Serve a store for as long as the block lasts."""
    desk = kind(store, settings)
    desk.start()
    try:
        yield desk
    finally:
        desk.stop()


def open_browser(playwright: Playwright) -> Browser:
    return playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)


def watched(context: BrowserContext) -> Page:
    """Return a new page that collects what goes wrong on it in ``page.slips``."""
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.slips = []  # type: ignore[attr-defined]
    page.on("pageerror", lambda error: page.slips.append(str(error)))  # type: ignore[attr-defined]
    page.on("console", lambda message: message.type == "error" and page.slips.append(message.text))  # type: ignore[attr-defined]
    return page


def come_in(context: BrowserContext, desk: Desk, name: str = "anna", role: str = "editor") -> Page:
    """Sign in by keyboard; return the page, which collects what goes wrong in ``page.slips``."""
    page = watched(context)
    page.goto(f"{desk.address}/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_role("radio", name=role).check()
    page.keyboard.press("Enter")
    page.wait_for_url(f"{desk.address}/")
    return page


def audition(context: BrowserContext, desk: Desk, enter: bool = True) -> Page:
    """Open the audition page of the one session; ``enter`` signs in first."""
    page = come_in(context, desk) if enter else watched(context)
    page.goto(f"{desk.address}/s/1/queue")
    page.wait_for_selector("#cell strong")
    return page


def to_a_note(page: Page) -> None:
    """Put takes off until one has a spot on a note: what is wrong with a file is on none."""
    for _ in range(MOST):
        page.wait_for_selector("#cell strong")
        if page.locator(".spot[aria-current]", has_text="note").count():
            return
        before = page.locator("#cell strong").inner_text()
        page.keyboard.press("KeyI")
        page.wait_for_function(
            "was => ![was, undefined].includes(document.querySelector('#cell strong')?.textContent)", arg=before
        )
    raise AssertionError("no take of this session has a spot on a note")


def settled(page: Page) -> None:
    """Wait until the desk has everything that was entered on this page."""
    page.wait_for_function(
        "() => !Object.entries(localStorage).some(([name, kept]) => name.startsWith('triage.outbox.')"
        " && JSON.parse(kept).waiting.length)"
    )


def verdicts_of(store: str) -> list[Verdict]:
    """Return the verdicts in a store that nobody has taken back, in the order given."""
    engine = open_store(store)
    with reading(engine) as db:
        takes = take_ids(db, 1)
        given = [(name, one) for name, number in takes.items() for one in history(db, number) if not one.taken_back]
    engine.dispose()
    given.sort(key=lambda pair: pair[1].id)
    return [Verdict(name, one.verdict, one.by, one.at, one.note, one.reason, one.comment) for name, one in given]


def let_differ(store: str) -> str:
    """Let two people differ on the first note of the most doubtful take, for a reason each, return its name."""
    engine = open_store(store)
    with writing(engine) as db:
        take = next_takes(db, 1, "nobody")[0]
        for by, verdict, reason, comment in (
            ("anna", "reject", "attack", None),
            ("ben", "accept", None, "in character"),
        ):
            given = Verdict(take.name, verdict, by, datetime(2026, 3, 15, tzinfo=UTC), 1, reason, comment)
            record_verdict(db, 1, given, key=f"differ-{by}")
    engine.dispose()
    return take.name


def let_files_fail(store: str) -> None:
    """Let one file of each kind of trouble be among the arrivals."""
    why = "truncated: 1197540 bytes of samples promised, the file holds 478989; copy it again from the recorder"
    entries = (
        ArrivalProblem("missing", take="T001", mic="room"),
        ArrivalProblem("broken", "audio/T002_close.wav", why=why),
        ArrivalProblem("unexpected", "audio/levelcheck.wav"),
        ArrivalProblem("unlike", "audio/T003_close.wav", what="sample rate", found=44100, expected=48000),
    )
    engine = open_store(store)
    with writing(engine) as db:
        save_arrivals(db, 1, Arrivals(entries, problems=("the take sheet has no row for T099",)))
    engine.dispose()


# What the page itself is asked, put in before its own scripts: every sound that starts, on which clock.
EARS = """
window.started = [];
const begin = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...given) {
  const { context, buffer } = this;
  window.started.push({ at: performance.now(), when: given[0] ?? 0, lasts: buffer.duration, context });
  return begin.apply(this, given);
};
window.pressed = null;
addEventListener("keydown", () => (window.pressed = performance.now()), true);
"""

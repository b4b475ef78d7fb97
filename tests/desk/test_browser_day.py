"""A whole day in a real browser, in two cities: played, checked, judged, handed over, gone on with.

On the way: a microphone's file that comes late, a copy that is cut short, a noise that is harmless and one that is
none, a disk that is not mounted, a copy in another place, a bag that breaks off. Everybody has a page of their own.
"""

import contextlib
import io
import json
import shutil
import threading
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from tests.commands import run, sqlite
from tests.desk.browsing import LAPTOP, PATIENCE_MS, come_in, desk_on
from tests.sessions import RATE_HZ, play, row, write_takes
from triage.intake.arriving import WaitingTimes
from triage.store.engine import open_store, reading
from triage.store.takes import sessions
from triage.watch import Follower, watch

SHEET = {f"T{n}": tuple(range(44 + 3 * n, 47 + 3 * n)) for n in range(1, 6)}
SOON = WaitingTimes(0.3, 2.0, 1.0)


class Day:
    """A session's folder in the hall, its store, and files that have not arrived yet."""

    def __init__(self, home: Path):
        takes = {name: play([p for p in own for _ in range(2)], n) for n, (name, own) in enumerate(SHEET.items())}
        for name in ("T4", "T5"):
            knock(takes[name])
        self.folder = write_takes(home / "hall" / "mill", takes, [row(name, own) for name, own in SHEET.items()])
        self.store, self.audio, self.aside = sqlite(home / "hall"), self.folder / "audio", home / "aside"
        self.audio.rename(self.aside)
        self.audio.mkdir()

    def bring(self, *names: str) -> None:
        """Put whole files into the folder."""
        for name in names:
            shutil.copy(self.aside / f"{name}.wav", self.audio / f".{name}.part")
            (self.audio / f".{name}.part").rename(self.audio / f"{name}.wav")

    def cut_short(self, name: str) -> None:
        """Put the first third of a file into the folder, as a copy that broke off leaves it."""
        whole = (self.aside / f"{name}.wav").read_bytes()
        (self.audio / f"{name}.wav").write_bytes(whole[: len(whole) // 3])

    @contextlib.contextmanager
    def watched(self):
        """Take in what arrives for as long as the block lasts."""
        engine, ending = open_store(self.store), threading.Event()
        follower = Follower(self.folder, engine, SOON, lambda one: None, lambda line: None)
        watching = threading.Thread(target=watch, args=(follower, None, ending))
        watching.start()
        try:
            until(lambda: begun(engine))
            yield
        finally:
            ending.set()
            watching.join()
            engine.dispose()


def begun(engine) -> bool:
    with reading(engine) as db:
        return bool(sessions(db))


def until(what, patience_s: float = PATIENCE_MS / 1000) -> None:
    end_s = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < end_s, "the watch has not begun the session"
        time.sleep(0.05)


def knock(take: np.ndarray) -> None:
    """Put a knock into the quiet end of a take, in the room more than on the close microphone."""
    rng, length = np.random.default_rng(5), round(0.12 * RATE_HZ)
    burst = rng.standard_normal(length) * np.exp(-np.arange(length) / (0.03 * RATE_HZ))
    start = take.shape[1] - round(0.35 * RATE_HZ)
    take[:, start : start + length] += np.array([[0.004], [0.03]]) * burst


@pytest.fixture
def day(tmp_path, one_process) -> Day:
    return Day(tmp_path)


def sat_down(browser, desk, name: str, role: str, path: str) -> Page:
    """Return a person's page; whatever it waits for, it waits for patiently."""
    page = come_in(browser.new_context(viewport=LAPTOP), desk, name, role=role)
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{desk.address}/s/1/{path}")
    return page


def there(page: Page, desk, path: str) -> Page:
    page.goto(f"{desk.address}/s/1/{path}")
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    return page


def verdicts_in(page: Page, desk) -> dict[str, list[str]]:
    """Return take -> what the queue says that people said."""
    there(page, desk, "queue/list?show=all")
    rows = page.locator("#rows tbody tr")
    return {
        one.locator("th").inner_text(): one.locator("td").last.locator("div").all_inner_texts() for one in rows.all()
    }


def test_a_day_in_two_cities(browser, day, tmp_path):
    with contextlib.ExitStack() as evening, contextlib.ExitStack() as session:
        session.enter_context(day.watched())
        hall = evening.enter_context(desk_on(day.store))
        played(browser, hall, day)
        accounted_for(browser, hall, day)
        session.close()
        mishaps_of_the_disk(browser, hall, day, tmp_path)
        judged(browser, hall)
        said = verdicts_in(sat_down(browser, hall, "lena", "lead", "pickups"), hall)
    assert {name for name, lines in said.items() if lines} == {"T1", "T2", "T3"}
    assert "lena" in said["T1"][0] and "anna" in said["T2"][0] and "anna" in said["T3"][0]
    bag = sent(day, tmp_path)
    far = sqlite(tmp_path, "far")
    assert run("intake", bag, "--store", far).status == 0
    with desk_on(far) as elsewhere:
        page = sat_down(browser, elsewhere, "carla", "lead", "queue/list")
        assert verdicts_in(page, elsewhere) == said
        there(page, elsewhere, "pickups")
        page.locator("#pickups tbody tr", has_text="T2").filter(has_text="rejected").wait_for()
        put_together(page, elsewhere)


def played(browser, hall, day: Day) -> None:
    """While it is recorded, the lead sees what came in, and nothing in red that is merely not known yet."""
    lead = sat_down(browser, hall, "lena", "lead", "played")
    lead.get_by_text("First on the sheet: T1").wait_for()
    day.bring("T1_close", "T1_room")
    lead.locator(".latest h2", has_text="T1").wait_for()
    assert lead.get_by_text("Not here").count() == 0
    lead.locator(".next", has_text="T2").wait_for()
    lead.keyboard.press("f")
    lead.locator(".latest .acts", has_text="heard: fine").wait_for()
    day.bring("T2_close")
    lead.locator(".latest h2", has_text="T2").wait_for()
    lead.get_by_text("Not here: room").wait_for()  # only once it was waited for
    day.bring("T3_room")
    day.cut_short("T3_close")
    lead.get_by_text("T3", exact=True).first.wait_for()
    lead.context.close()


def accounted_for(browser, hall, day: Day) -> None:
    """The engineer settles each file, hears each noise, and corrects what is none."""
    engineer = sat_down(browser, hall, "edda", "engineer", "arrivals")
    late = engineer.locator("tr", has_text="T2").filter(has_text="room")
    late.get_by_role("button", name="Fetched again").click()
    engineer.locator("tr", has_text="T2").filter(has_text="edda").wait_for()
    assert engineer.locator("tr", has_text="T3_close").count() == 1
    day.bring("T2_room", "T3_close", "T4_close", "T4_room", "T5_close", "T5_room")
    engineer.get_by_text("Everything that was announced is here and whole.").wait_for()
    there(engineer, hall, "noise")
    groups = engineer.locator(".group")
    groups.first.wait_for()
    before = groups.count()
    engineer.locator("[data-members]").first.click()
    in_hand = engineer.locator(".members li[aria-current]")
    expect(in_hand).to_be_focused()
    engineer.keyboard.press("Space")  # plays it again, and closes nothing
    engineer.keyboard.press("n")
    expect(in_hand).to_have_count(1)
    engineer.locator(".group [data-harmless]").first.click()
    expect(groups).to_have_count(before - 1)
    engineer.locator("[aria-labelledby='harmless'] li", has_text="edda").wait_for()
    engineer.context.close()


def mishaps_of_the_disk(browser, hall, day: Day, tmp_path: Path) -> None:
    """A disk that is away and a copy elsewhere are refused; nobody at the desk loses a take."""
    unmounted = tmp_path / "unmounted"
    day.audio.rename(unmounted)
    away = run("intake", day.folder, "--store", day.store)
    assert away.status == 1 and "--forget" in away.err
    page = sat_down(browser, hall, "anna", "editor", "queue/list")
    assert set(verdicts_in(page, hall)) == set(SHEET)
    page.context.close()
    unmounted.rename(day.audio)
    copy = run("intake", shutil.copytree(day.folder, tmp_path / "copy"), "--store", day.store)
    assert copy.status == 1 and "this is a copy of it" in copy.err
    assert run("intake", day.folder, "--store", day.store).status == 0


def judged(browser, hall) -> None:
    """The editor rejects one note and accepts a take; the pick-ups call that note alone for the players."""
    anna = sat_down(browser, hall, "anna", "editor", "queue/list")
    anna.goto(f"{hall.address}{anna.locator('#rows th a', has_text='T2').get_attribute('href')}&note=2")
    anna.locator("#notes [data-note='2'][aria-current]").wait_for()
    anna.keyboard.press("KeyL")
    anna.locator("#recent li", has_text="T2").wait_for()
    there(anna, hall, "queue/list")
    anna.goto(f"{hall.address}{anna.locator('#rows th a', has_text='T3').get_attribute('href')}")
    anna.locator("#cell strong", has_text="T3").wait_for()
    anna.keyboard.press("KeyJ")
    anna.locator("#recent li", has_text="T3").wait_for()
    there(anna, hall, "pickups")
    anna.locator("#pickups tbody tr", has_text="T2").filter(has_text="rejected").wait_for()
    assert anna.locator("#for-engineer").count() == 0
    anna.context.close()


def sent(day: Day, tmp_path: Path) -> Path:
    """Hand over, break off the copy to the other city, and send the rest."""
    assert run("handover", day.folder, "--store", day.store).status == 0
    bag, away = day.folder.parent / "mill-bag", tmp_path / "away" / "mill-bag"
    shutil.copytree(bag, away, copy_function=shutil.copyfile)
    lost = away / "data/audio/T5_room.wav"
    lost.unlink()
    assert run("receive", away).status == 3
    shutil.copyfile(bag / "data/audio/T5_room.wav", lost)
    assert run("receive", away).status == 0
    return away


def put_together(page: Page, elsewhere) -> None:
    """The lead elsewhere hears the keepers, locks one, and writes the list: the rejected note is not in it."""
    there(page, elsewhere, "keepers")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("l")
    page.locator(".keep-note.locked").wait_for()
    with page.expect_download() as loaded:
        page.get_by_role("link", name="cue markers and lists").click()
    with zipfile.ZipFile(io.BytesIO(Path(loaded.value.path()).read_bytes())) as archive:
        listed = json.loads(archive.read("keepers.json"))
        assert "keepers.csv" in archive.namelist() and any(one.endswith("_keep.wav") for one in archive.namelist())
    assert listed["kept"] and ("T2", 2) not in {(one["take"], one["note"]) for one in listed["kept"]}
    assert any(one["chosen"] for one in listed["kept"])

"""The background of each microphone, read from real files on the way through intake."""

import numpy as np
import pytest

from tests.sessions import RATE_HZ, play, row, write_takes
from triage.analysis.take import analyse_take
from triage.domain.session import Session
from triage.intake.arrivals import check_arrivals
from triage.intake.session import SESSION_FILE, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session, save_session

PITCHES = (54, 56, 58)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    take = play([pitch for pitch in PITCHES for _ in range(2)], 1)
    take[1] += 0.001 * np.sin(2 * np.pi * 63.1 * np.arange(take.shape[1]) / RATE_HZ)  # -63.01 dBFS
    return write_takes(tmp_path_factory.mktemp("mill"), {"T001": take}, [row("T001", PITCHES)])


def test_a_take_s_floors_are_those_it_was_made_with(folder):
    session = read_session(folder)
    arrived = check_arrivals(folder, session, read_sheet(folder / SHEET_FILE, 4))
    floors = {floor.mic: floor for floor in analyse_take(arrived.takes[0], folder, "close", 442.0).floors}
    # White floors of -76 and -72 dBFS as tests.sessions.hear makes them; A-weighting takes 2.7 dB off white noise at
    # 48 kHz (IEC 61672 over 0 to 24 kHz), and the octave at 1 kHz holds 707 of its 24000 Hz: -15.3 dB.
    for mic, floor_dbfs in (("close", -76.0), ("room", -72.0)):
        assert floors[mic].a_dbfs == pytest.approx(floor_dbfs - 2.7, abs=1.0)
        assert floors[mic].octaves_dbfs[5] == pytest.approx(floor_dbfs - 15.3, abs=1.0)
    assert floors["room"].octaves_dbfs[1] == pytest.approx(-63.01, abs=1.0)


def test_a_calibration_in_session_toml_reaches_the_store(folder, tmp_path):
    toml = (folder / SESSION_FILE).read_text(encoding="utf-8")
    calibrated = toml.replace('role = "room"', 'role = "room"\nfull_scale_db_spl = 118')
    (tmp_path / SESSION_FILE).write_text(calibrated, encoding="utf-8")
    session = read_session(tmp_path)
    assert session.full_scale_db_spl() == {"room": 118.0}
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    with writing(engine) as db:
        save_session(
            db,
            Session(
                "mill", "mill", session.date, 48_000, 442.0, "close", full_scale_db_spl=session.full_scale_db_spl()
            ),
        )
    with reading(engine) as db:
        assert find_session(db).full_scale_db_spl == {"room": 118.0}
    engine.dispose()

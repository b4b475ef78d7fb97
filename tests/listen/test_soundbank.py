"""Recorded winds and brass of an open sound bank (TimGM6mb, which pretty_midi carries) against other programs.

Each note is laid over a floor after half a second, found, measured, and read again by Praat, pyloudnorm and librosa.
Root keys in the headers serve where they were set; 60 with no fine tuning is what the bank's maker left unset.
"""

import re
from pathlib import Path
from typing import NamedTuple

import librosa
import numpy as np
import parselmouth
import pretty_midi
import pyloudnorm
import pytest

from tests.listen.soundfont import BankNote, bank_notes
from tests.listen.sounds import span_of, take
from triage.listen.logmel import LogMel
from triage.listen.loudness import momentary_lufs
from triage.listen.measure import measure, window
from triage.listen.notes import find_notes

BANK = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
WINDS = re.compile(
    r"Flute|Piccolo|Recorder|Oboe|English Horn|Clar|Bassoon|Alto|Tenor|Bari|^Sop|Trump[ACDG]|Trumpet|Trombone|Tuba"
    r"|FRHORN|French ?Horn|Harmon Mute|^Brass [CG]"
)
START_S, LENGTH_S, TAKE_S = 0.5, 0.8, 1.8


class Heard(NamedTuple):
    bank: BankNote
    wave: np.ndarray
    starts_s: list[float]
    found: dict[str, float]
    praat_hz: float


def praat_hz(wave, rate_hz):
    pitch = parselmouth.Sound(wave, rate_hz).to_pitch_ac(pitch_floor=60.0, pitch_ceiling=min(5000.0, 0.45 * rate_hz))
    contour = pitch.selected_array["frequency"]
    return float(np.median(contour[contour > 0])) if (contour > 0).any() else np.nan


def hear(bank):
    rate_hz = bank.rate_hz
    wave = bank.wave[: round(LENGTH_S * rate_hz)] * 0.25 / np.abs(bank.wave).max()
    end = rate_hz // 50
    wave[-end:] *= np.linspace(1, 0, end)
    laid = take([(START_S, wave)], TAKE_S, rate_hz)
    notes, _ = find_notes(LogMel(rate_hz)(laid[None])[0], span_of(laid, rate_hz), rate_hz)
    found = {}
    if notes:
        first_s, last_s = window(notes[0], TAKE_S)
        found = measure(laid[round(first_s * rate_hz) : round(last_s * rate_hz)], rate_hz, notes[0], -75.0)
    return Heard(bank, wave, [float(note.start_s) for note in notes], found, praat_hz(wave, rate_hz))


@pytest.fixture(scope="module")
def heard():
    chosen = [note for note in bank_notes(BANK) if WINDS.search(note.name)][::2]
    return [one for one in map(hear, chosen) if one.praat_hz <= 4200]  # the piccolo's top


def cents(hz, reference_hz):
    return 1200 * np.log2(np.asarray(hz) / np.asarray(reference_hz))


def test_the_bank_holds_notes_from_the_tuba_to_the_piccolo(heard):
    assert len(heard) >= 60
    pitches_hz = [one.praat_hz for one in heard]
    assert min(pitches_hz) < 110 and max(pitches_hz) > 3500


def test_each_note_is_one_note_and_starts_where_it_was_laid(heard):
    assert [one.bank.name for one in heard if len(one.starts_s) != 1] == []
    late_s = np.abs([one.starts_s[0] - START_S for one in heard])
    assert np.median(late_s) <= 0.010
    assert late_s.max() <= 0.030


def test_the_pitch_is_praats(heard):
    # other implementation: Praat's autocorrelation; 97 % within 50 cents and 1 % octaves are asked for
    off = np.abs(cents([one.found["f0_hz"] for one in heard], [one.praat_hz for one in heard]))
    assert np.mean(off < 50) >= 0.97
    assert np.mean(np.abs(off - 1200) < 50) <= 0.01
    assert np.median(off) < 1.0


def test_the_pitch_is_that_of_the_headers(heard):
    tuned = [one for one in heard if (one.bank.root_key, one.bank.cents) != (60, 0)]
    keys = np.array([one.bank.root_key - one.bank.cents / 100 for one in tuned])
    off = np.abs(cents([one.found["f0_hz"] for one in tuned], 440 * 2 ** ((keys - 69) / 12)))
    assert len(tuned) >= 50
    assert np.mean(off < 50) >= 0.97


def test_the_loudness_is_pyloudnorms(heard):
    # other implementation (De Man's K weighting) on the loudest 0.4 s, without the filters' past
    for one in heard:
        rate_hz = one.bank.rate_hz
        first = round(momentary_lufs(one.wave, rate_hz).argmax() * 0.01 * rate_hz)
        loudest = one.wave[first : first + round(0.4 * rate_hz) + 1]
        meter = pyloudnorm.Meter(rate_hz, "DeMan", block_size=0.4)
        assert one.found["loudness_lufs"] == pytest.approx(meter.integrated_loudness(loudest), abs=0.1), one.bank.name


def test_the_brightness_follows_librosas(heard):
    # other implementation; librosa counts the breath between the partials too, so flutes read higher there
    theirs, ours = [], []
    for one in heard:
        held = one.wave[round(0.1 * one.bank.rate_hz) : round(0.7 * one.bank.rate_hz)]
        contour = librosa.feature.spectral_centroid(y=held, sr=one.bank.rate_hz, n_fft=4096, center=False)
        theirs.append(np.median(contour))
        ours.append(one.found["centroid_hz"])
    ratio = np.array(ours) / theirs
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert np.mean(np.abs(ratio - 1) < 0.1) >= 0.75
    assert np.corrcoef(np.log(ours), np.log(theirs))[0, 1] > 0.95

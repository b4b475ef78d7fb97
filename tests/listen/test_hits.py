"""Noise hits: planted noises of known time and level, and what must not pass for one."""

import numpy as np
import pytest
from scipy import signal

from tests.listen.sounds import RATE_HZ, floor, span_of, take, tone
from triage.listen.hits import analyse_mic, noise_events
from triage.listen.logmel import LogMel
from triage.listen.noise_network import load_detector
from triage.listen.notes import find_notes

STARTS_S = [0.6, 2.5, 4.4]
NOTES = [(start_s, tone(220.0, 0.8)) for start_s in STARTS_S]  # sounding until 0.8 s later


def listen(wave, rate_hz=RATE_HZ):
    transform = LogMel(rate_hz)
    frames = transform(wave[None])[0]
    notes, _ = find_notes(frames, span_of(wave, rate_hz), rate_hz)
    return notes, noise_events([analyse_mic(frames, notes, "close", load_detector())], notes, load_detector())


def noise(low_hz, high_hz, length_s, level_dbfs, seed=3, rate_hz=RATE_HZ):
    """A segment of noise between two frequencies, faded for 2 ms; RMS of its loudest 43 ms at level_dbfs."""
    white = floor(length_s + 0.5, rate_hz, 0.0, seed)
    sos = signal.butter(4, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    wave = signal.sosfilt(sos, white)[-round(length_s * rate_hz) :]
    fade = np.arange(len(wave)) / (0.002 * rate_hz)
    wave *= np.minimum(1, np.minimum(fade, fade[::-1]))
    n = min(len(wave), 2048)
    return wave / np.sqrt(np.convolve(wave**2, np.ones(n) / n, "valid").max()) * 10 ** (level_dbfs / 20)


def laid(wave, at_s, sound, rate_hz=RATE_HZ):
    wave = wave.copy()
    first = round(at_s * rate_hz)
    wave[first : first + len(sound)] += sound
    return wave


# Convention: level_dbfs is the RMS of the loudest frame (43 ms, Hann), so that a sine reads 3.01 dB under its peak.
@pytest.mark.parametrize("level_dbfs", [-40.0, -50.0, -57.0])
@pytest.mark.parametrize(
    "low_hz, high_hz, length_s",
    [
        (2000, 8000, 0.3),  # a breath
        (80, 300, 0.15),  # a knock
        (800, 3000, 0.2),  # a creak
        (50, 15_000, 0.1),  # paper
    ],
)
def test_a_noise_in_a_gap_has_its_time_and_level(low_hz, high_hz, length_s, level_dbfs):
    wave = laid(take(NOTES, 6.0), 1.9, noise(low_hz, high_hz, length_s, level_dbfs))
    notes, (hit,) = listen(wave)
    assert len(notes) == 3
    assert hit.start_s == pytest.approx(1.9, abs=0.05)
    assert hit.end_s == pytest.approx(1.9 + length_s, abs=0.15)  # smeared: half a frame, half a mean
    assert hit.mics["close"].level_dbfs == pytest.approx(level_dbfs, abs=2.0)
    assert hit.exposed > 0.8


def test_the_level_over_the_floor_is_that_of_its_own_bands():
    # known answer: white noise of -50 dBFS over a white floor of -75 dBFS, 25 dB in any band
    wave = laid(take(NOTES, 6.0), 1.9, noise(30, 20_000, 0.3, -50.0))
    (hit,) = listen(wave)[1]
    assert hit.mics["close"].over_floor_db == pytest.approx(25.0, abs=2.5)


def test_a_hum_of_a_sine_reads_3_db_under_its_peak():
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    wave = laid(take(NOTES, 6.0), 1.8, 0.01 * np.sin(2 * np.pi * 1000 * t) * np.hanning(len(t)) ** 0.1)
    (hit,) = listen(wave)[1]
    assert hit.mics["close"].level_dbfs == pytest.approx(-43.0, abs=0.3)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_the_rate_changes_neither_time_nor_level(rate_hz):
    notes = [(s, tone(220.0, 0.8, rate_hz)) for s in STARTS_S]
    wave = laid(take(notes, 6.0, rate_hz), 1.9, noise(800, 3000, 0.2, -45.0, rate_hz=rate_hz), rate_hz)
    (hit,) = listen(wave, rate_hz)[1]
    assert hit.start_s == pytest.approx(1.9, abs=0.05)
    assert hit.mics["close"].level_dbfs == pytest.approx(-45.0, abs=2.0)


def test_gain_moves_the_level_and_nothing_else():
    wave = laid(take(NOTES, 6.0), 1.9, noise(800, 3000, 0.2, -45.0))
    (loud,), (soft,) = listen(wave)[1], listen(0.1 * wave)[1]
    here, there = soft.mics["close"], loud.mics["close"]
    assert here.level_dbfs == pytest.approx(there.level_dbfs - 20, abs=0.1)
    assert here.exposed == pytest.approx(there.exposed, abs=0.01)
    assert (soft.kind, soft.start_s, soft.end_s) == (loud.kind, loud.start_s, loud.end_s)


def sung(f0_hz, length_s, seed, rate_hz=RATE_HZ):
    """A tone whose pitch wavers by some 10 cents, as every player's does; 20 partials at 1/k."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    drift = np.cumsum(np.random.default_rng(seed).standard_normal(len(t)) * 2e-5)
    phase = 2 * np.pi * np.cumsum(f0_hz * (1 + 0.005 * np.sin(2 * np.pi * 5 * t) + drift)) / rate_hz
    wave = sum(np.sin(k * phase + k) / k for k in range(1, 21) if k * f0_hz < 0.4 * rate_hz)
    return 0.1 * wave * np.minimum(1, np.minimum(t / 0.02, (length_s - t) / 0.05))


def in_a_room(wave, reverberation_s, seed, rate_hz=RATE_HZ):
    """As loud a tail as direct sound: Gaussian noise, 60 dB down after the reverberation time."""
    t = np.arange(round(reverberation_s * rate_hz)) / rate_hz
    response = np.random.default_rng(seed).standard_normal(len(t)) * 10 ** (-3 * t / reverberation_s)
    response /= np.sqrt((response**2).sum())
    response[0] += 1
    return signal.fftconvolve(wave, response)[: len(wave)]


@pytest.mark.parametrize("length_s", [0.4, 0.7])
def test_a_noise_longer_than_the_look_back_is_one_hit_to_its_end(length_s):
    (hit,) = listen(laid(take(NOTES, 6.0), 1.55, noise(800, 6000, length_s, -50.0)))[1]
    assert hit.start_s == pytest.approx(1.55, abs=0.08)
    assert hit.end_s == pytest.approx(1.55 + length_s, abs=0.15)


@pytest.mark.parametrize("reverberation_s", [0.4, 0.8, 1.4])
@pytest.mark.parametrize("f0_hz", [46.2, 98.0, 220.0, 523.0])
def test_a_reverberant_tail_is_no_hit(f0_hz, reverberation_s):
    dry = np.zeros(8 * RATE_HZ)
    for seed, start_s in enumerate((0.6, 4.2)):
        dry = laid(dry, start_s, sung(f0_hz, 0.9, seed))
    notes, hits = listen(in_a_room(dry, reverberation_s, seed=round(f0_hz)) + floor(8.0))
    assert len(notes) == 2
    assert hits == []


def test_beating_in_long_tails_is_seldom_a_hit():
    # a steady tone's partials fade and come back in a hall of 2 s: one note in ten may pass for a hit, faintly
    hits, n_notes = [], 0
    for seed, f0_hz in enumerate((46.2, 65.4, 98.0, 147.0, 220.0, 330.0, 523.0)):
        dry = laid(laid(np.zeros(8 * RATE_HZ), 0.6, sung(f0_hz, 0.9, 0)), 4.2, sung(f0_hz, 0.9, 1))
        notes, found = listen(in_a_room(dry, 2.0, seed) + floor(8.0, seed=seed))
        hits, n_notes = hits + found, n_notes + len(notes)
    assert n_notes == 14
    assert len(hits) <= 0.1 * n_notes
    assert all(hit.exposed < 0.7 for hit in hits)


@pytest.mark.parametrize("over_ring_db", [12.0, 20.0])
def test_a_noise_in_a_tail_is_found_by_what_it_stands_over(over_ring_db):
    # the ring's level is read from the tail itself, 0.8 s after the note's end
    dry = laid(laid(np.zeros(5 * RATE_HZ), 0.6, sung(220.0, 0.9, 0)), 3.4, sung(220.0, 0.9, 1))
    clean = in_a_room(dry, 1.0, seed=1) + floor(5.0)
    level_dbfs = 10 * np.log10(np.mean(clean[round(2.3 * RATE_HZ) :][:4096] ** 2)) + over_ring_db
    assert listen(clean)[1] == []
    (hit,) = listen(laid(clean, 2.3, noise(100, 6000, 0.15, level_dbfs)))[1]
    assert hit.start_s == pytest.approx(2.3, abs=0.05)
    assert hit.mics["close"].level_dbfs == pytest.approx(level_dbfs, abs=2.0)


@pytest.mark.parametrize("attack_s", [0.002, 0.05, 0.3])
@pytest.mark.parametrize("f0_hz", [82.4, 220.0, 880.0])  # an artificial tone of 50 Hz is hum
def test_the_notes_own_attack_and_release_are_no_hits(f0_hz, attack_s):
    notes = [(s, tone(f0_hz, 1.2, attack_s=attack_s, release_s=0.15)) for s in (0.6, 2.6, 4.6)]
    found, hits = listen(take(notes, 6.5))
    assert len(found) == 3
    assert hits == []


@pytest.mark.parametrize("wave", [floor(4.0), np.zeros(4 * RATE_HZ), np.zeros(100), take(NOTES, 6.0, floor_db=-50)])
def test_floor_and_silence_hold_no_hit(wave):
    assert listen(wave)[1] == []


def test_a_noise_30_db_under_a_sounding_note_is_masked():
    # in the note's own part of the spectrum; 30 dB under it as a whole, but above its partials, it could be heard
    note = tone(220.0, 1.5)
    wave = take([(0.6, note), (3.0, note)], 5.0)
    level_dbfs = 10 * np.log10(np.mean(note**2)) - 30
    assert listen(laid(wave, 1.2, noise(200, 1500, 0.2, level_dbfs)))[1] == []


def test_a_more_exposed_noise_says_so():
    exposed = []
    for level_dbfs in (-62.0, -55.0, -45.0):
        (hit,) = listen(laid(take(NOTES, 6.0), 1.9, noise(800, 3000, 0.2, level_dbfs)))[1]
        exposed.append(hit.exposed)
    assert exposed[0] < exposed[1] < exposed[2]

"""Made sounds with known answers, for the tests of what listens."""

import numpy as np

RATE_HZ = 48_000


def tone(f0_hz, length_s, rate_hz=RATE_HZ, level_db=-12.0, attack_s=0.01, release_s=0.05, n_partials=12):
    """A harmonic tone, partials at 1/k, linear attack and release inside its length; peak at level_db."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    partials = np.arange(1, n_partials + 1)[(np.arange(1, n_partials + 1) * f0_hz < 0.45 * rate_hz)]
    wave = sum(np.sin(2 * np.pi * k * f0_hz * t + 0.7 * k) / k for k in partials)
    gate = np.minimum(1, np.minimum(t / attack_s, (length_s - t) / release_s))
    return wave / np.abs(wave).max() * gate * 10 ** (level_db / 20)


def floor(length_s, rate_hz=RATE_HZ, level_db=-75.0, seed=0):
    """White noise at an RMS level."""
    return np.random.default_rng(seed).standard_normal(round(length_s * rate_hz)) * 10 ** (level_db / 20)


def take(notes, length_s, rate_hz=RATE_HZ, floor_db=-75.0, seed=0):
    """Notes [(start_s, wave), ...] laid over a floor."""
    wave = floor(length_s, rate_hz, floor_db, seed)
    for start_s, note in notes:
        first = round(start_s * rate_hz)
        wave[first : first + len(note)] += note[: len(wave) - first]
    return wave


def span_of(wave, rate_hz=RATE_HZ):
    """The reader of samples that `find_notes` asks for."""
    return lambda start_s, end_s: wave[max(0, round(start_s * rate_hz)) : round(end_s * rate_hz)]

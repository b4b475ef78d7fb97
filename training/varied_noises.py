"""Noises by several models of each kind, so that a network learns the kind and not one maker's way with it.

Each maker returns one dry noise, one channel, at the rate asked for; all that is drawn at random makes no two alike.
"""

import numpy as np
from scipy import signal

from training import note_editing as shaping
from training.noises import Maker
from training.note_editing import Array
from training.synthetic_noises import MAKERS

Rng = np.random.Generator


def modes(rate_hz: int, rng: Rng, length_s: float, hz: tuple[float, float], decay_s: tuple[float, float]) -> Array:
    """A struck body: three to eight resonances, log-uniform in ``hz``, each dying within ``decay_s``."""
    time_s = np.arange(int(length_s * rate_hz)) / rate_hz
    out = np.zeros(len(time_s))
    for _ in range(int(rng.integers(3, 9))):
        tone_hz = min(float(np.exp(rng.uniform(*np.log(hz)))), 0.45 * rate_hz)
        decay = float(np.exp(rng.uniform(*np.log(decay_s))))
        turn = np.sin(2 * np.pi * tone_hz * time_s + rng.uniform(0, 6.3))
        out += rng.uniform(0.2, 1) * turn * np.exp(-time_s / decay)
    contact = rng.standard_normal(len(time_s)) * np.exp(-time_s / rng.uniform(0.0005, 0.004))
    return np.asarray(out + rng.uniform(0, 1.5) * contact)


def band(samples: Array, rate_hz: int, low_hz: float, high_hz: float, order: int = 2) -> Array:
    """Return samples between two frequencies."""
    edges = (low_hz, min(high_hz, 0.45 * rate_hz))
    return np.asarray(signal.sosfilt(signal.butter(order, edges, "bandpass", fs=rate_hz, output="sos"), samples))


def gusts(count: int, rng: Rng, parts: int, power: float) -> Array:
    """Return an envelope of random heights at so many places, between 0 and 1."""
    return np.asarray(np.interp(np.arange(count), np.linspace(0, count, parts), rng.random(parts) ** power))


def several(one: Maker, most: int, gap_s: tuple[float, float]) -> Maker:
    """Return a maker of one to ``most`` of these, each softer or louder, so far apart."""

    def make(rate_hz: int, rng: Rng) -> Array:
        parts = [one(rate_hz, rng) * rng.uniform(0.3, 1) for _ in range(int(rng.integers(1, most + 1)))]
        starts = np.cumsum([0, *(int(rng.uniform(*gap_s) * rate_hz) for _ in parts[1:])])
        out = np.zeros(max(start + len(part) for start, part in zip(starts, parts, strict=True)))
        for start, part in zip(starts, parts, strict=True):
            out[start : start + len(part)] += part
        return out

    return make


def thud(rate_hz: int, rng: Rng) -> Array:
    """A foot, a case, a door: low resonances."""
    return modes(rate_hz, rng, rng.uniform(0.1, 0.4), (35, 500), (0.008, 0.08))


def rap(rate_hz: int, rng: Rng) -> Array:
    """Wood or metal that is struck: a stand, a chair's leg."""
    return modes(rate_hz, rng, rng.uniform(0.08, 0.3), (120, 2500), (0.004, 0.06))


def latch(rate_hz: int, rng: Rng) -> Array:
    """A door: a thud and its latch."""
    out = np.pad(thud(rate_hz, rng), (0, int(0.3 * rate_hz)))
    tick, at = rap(rate_hz, rng) * rng.uniform(0.1, 0.6), int(rng.uniform(0.02, 0.2) * rate_hz)
    out[at : at + len(tick)] += tick[: len(out) - at]
    return out


def creaking(rate_hz: int, rng: Rng) -> Array:
    """Stick and slip at a pace that glides, from single cracks to a squeak, through the resonances of what moves."""
    count = int(rng.uniform(0.15, 0.9) * rate_hz)
    low_hz = float(np.exp(rng.uniform(np.log(12), np.log(500))))
    pace_hz = low_hz * 2 ** (rng.uniform(-1, 1) * np.linspace(0, 1, count) + 0.3 * gusts(count, rng, 8, 1.0))
    turns = np.floor(np.cumsum(pace_hz) / rate_hz)
    slips = np.flatnonzero(np.diff(turns, prepend=0.0))
    pulses = np.zeros(count)
    jitter = rng.integers(0, max(2, int(0.15 * rate_hz / low_hz)), len(slips))
    pulses[np.minimum(slips + jitter, count - 1)] = rng.uniform(0.2, 1, len(slips))
    out = np.zeros(count)
    for _ in range(int(rng.integers(2, 6))):
        b, a = signal.iirpeak(float(np.exp(rng.uniform(np.log(180), np.log(4500)))), rng.uniform(4, 30), fs=rate_hz)
        out += rng.uniform(0.2, 1) * signal.lfilter(b, a, pulses)
    return shaping.faded(out * (0.2 + gusts(count, rng, 6, 1.0)), rate_hz, 0.02, 0.08)


def scrape(rate_hz: int, rng: Rng) -> Array:
    """A chair's leg over the floor: rough noise in a few resonances."""
    count = int(rng.uniform(0.2, 0.8) * rate_hz)
    rough = rng.standard_normal(count) * (rng.random(count) < rng.uniform(0.02, 0.4)) * gusts(count, rng, 30, 1.0)
    low_hz = rng.uniform(120, 900)
    return shaping.faded(band(rough, rate_hz, low_hz, low_hz * rng.uniform(3, 8)), rate_hz, 0.03, 0.08)


def air(rate_hz: int, rng: Rng) -> Array:
    """Breath drawn or let go, or a sniff: air through a mouth or nose of some shape, swelling or falling."""
    count = int(np.exp(rng.uniform(np.log(0.12), np.log(0.9))) * rate_hz)
    noise = band(rng.standard_normal(count), rate_hz, rng.uniform(150, 900), rng.uniform(3000, 12000), 1)
    for _ in range(int(rng.integers(1, 4))):
        b, a = signal.iirpeak(
            float(np.exp(rng.uniform(np.log(350), np.log(6000)))), rng.uniform(1.0, 4.0), fs=rate_hz
        )
        noise = noise + rng.uniform(0.5, 3) * signal.lfilter(b, a, noise)
    shape = np.sin(np.pi * np.linspace(0, 1, count) ** rng.uniform(0.5, 2.5)) ** rng.uniform(0.7, 2.5)
    return np.asarray(noise * shape * (0.7 + 0.3 * gusts(count, rng, 12, 1.0)))


def speaking(rate_hz: int, rng: Rng) -> Array:
    """Syllables: a buzz, or a whisper, through formants that move, with consonants between."""
    parts = []
    f0_hz, whisper = float(np.exp(rng.uniform(np.log(75), np.log(330)))), rng.random() < 0.25
    for _ in range(int(rng.integers(1, 5))):
        count = int(rng.uniform(0.06, 0.28) * rate_hz)
        glide_hz = f0_hz * 2 ** (rng.uniform(-0.3, 0.3) * np.linspace(0, 1, count))
        buzz = np.diff(np.floor(np.cumsum(glide_hz) / rate_hz), prepend=0.0)
        source = 0.3 * rng.standard_normal(count) if whisper else buzz + 0.03 * rng.standard_normal(count)
        out = np.zeros(count)
        for low_hz, high_hz in ((250, 850), (800, 2600), (2200, 3600)):
            b, a = signal.iirpeak(rng.uniform(low_hz, high_hz), rng.uniform(4, 12), fs=rate_hz)
            out += signal.lfilter(b, a, source) * rng.uniform(0.3, 1.2) / (1 + low_hz / 800)
        hiss = band(
            rng.standard_normal(int(rng.uniform(0.01, 0.1) * rate_hz)), rate_hz, rng.uniform(1500, 4000), 11000
        )
        parts += [hiss * rng.uniform(0, 0.06) * np.abs(out).max(), out * np.hanning(count) ** rng.uniform(0.3, 1.0)]
    return np.concatenate(parts)


def bark(rate_hz: int, rng: Rng) -> Array:
    """A cough or a cleared throat: bursts of air, some with a rough voice in them."""
    count = int(rng.uniform(0.1, 0.4) * rate_hz)
    time_s = np.arange(count) / rate_hz
    rough = np.diff(np.floor(time_s * rng.uniform(90, 260) + 0.3 * gusts(count, rng, 40, 1.0)), prepend=0.0)
    source = rng.standard_normal(count) + rng.uniform(0, 8) * rough
    out = np.zeros(count)
    for low_hz, high_hz in ((350, 900), (900, 2000), (2000, 4000)):
        b, a = signal.iirpeak(rng.uniform(low_hz, high_hz), rng.uniform(2, 8), fs=rate_hz)
        out += signal.lfilter(b, a, source) * rng.uniform(0.3, 1.0)
    return np.asarray(
        out * np.minimum(time_s / rng.uniform(0.003, 0.03), 1) * np.exp(-time_s / rng.uniform(0.03, 0.15))
    )


def crackling(rate_hz: int, rng: Rng) -> Array:
    """A page: many small cracks in gusts, in the treble."""
    count = int(rng.uniform(0.15, 0.9) * rate_hz)
    cracks = rng.standard_normal(count) * (rng.random(count) < rng.uniform(0.003, 0.08))
    low_hz = rng.uniform(500, 2500)
    out = band(cracks, rate_hz, low_hz, rng.uniform(6000, 16000), 1)
    rustle = band(rng.standard_normal(count), rate_hz, low_hz, 12000, 1) * rng.uniform(0, 0.15)
    return shaping.faded((out + rustle) * gusts(count, rng, int(rng.integers(6, 30)), 2.0), rate_hz, 0.01, 0.05)


def cloth(rate_hz: int, rng: Rng) -> Array:
    """A sleeve: soft noise that comes and goes."""
    count = int(rng.uniform(0.2, 0.8) * rate_hz)
    noise = band(rng.standard_normal(count), rate_hz, rng.uniform(200, 800), rng.uniform(2000, 7000), 1)
    return shaping.faded(noise * gusts(count, rng, int(rng.integers(4, 10)), 1.5), rate_hz, 0.05, 0.08)


def pad(rate_hz: int, rng: Rng) -> Array:
    """A key or a valve: a dull stop, with a rattle of its rods or springs."""
    stop = modes(rate_hz, rng, 0.15, (150, 1500), (0.003, 0.025))
    rattle = modes(rate_hz, rng, 0.15, (1500, 7000), (0.001, 0.01)) * rng.uniform(0.05, 0.8)
    return stop + np.roll(rattle, int(rng.uniform(0, 0.02) * rate_hz))


def tick(rate_hz: int, rng: Rng) -> Array:
    """A switch, a pen, a clip."""
    return modes(rate_hz, rng, 0.03, (1200, 10000), (0.0003, 0.003))


def puff(rate_hz: int, rng: Rng) -> Array:
    """Air against a microphone as a tone is tongued: a few tens of hertz that swell and die."""
    count = int(rng.uniform(0.12, 0.35) * rate_hz)
    noise = band(rng.standard_normal(2 * count), rate_hz, 10, rng.uniform(45, 160), 3)[count:]
    return np.asarray(
        noise * np.sin(np.pi * np.linspace(0, 1, count) ** rng.uniform(0.4, 1.2)) ** rng.uniform(0.7, 2.0)
    )


def bowing(rate_hz: int, rng: Rng) -> Array:
    """Hair that meets a string, or a finger that leaves it: a short scrape or a rasp."""
    count = int(rng.uniform(0.04, 0.3) * rate_hz)
    noise = rng.standard_normal(count) * (0.3 + gusts(count, rng, 10, 1.0))
    low_hz = rng.uniform(200, 1500)
    return shaping.faded(band(noise, rate_hz, low_hz, low_hz * rng.uniform(3, 8), 1), rate_hz, 0.005, 0.04)


def _either(*makers: Maker) -> Maker:
    return lambda rate_hz, rng: makers[int(rng.integers(len(makers)))](rate_hz, rng)


VARIED: dict[str, Maker] = MAKERS | {
    "knock": _either(MAKERS["knock"], several(thud, 3, (0.06, 0.4)), several(rap, 3, (0.05, 0.3)), latch),
    "creak": _either(MAKERS["creak"], creaking, creaking, scrape),
    "breath": _either(MAKERS["breath"], air, air),
    "voice": _either(MAKERS["voice"], speaking, several(bark, 2, (0.2, 0.5))),
    "paper": _either(MAKERS["paper"], crackling, cloth),
    "mechanism": _either(MAKERS["mechanism"], several(pad, 2, (0.05, 0.25))),
    "click": _either(MAKERS["click"], several(tick, 2, (0.02, 0.09))),
}

"""More made noises, for the kinds of which there are few real clips: voice, bleed, rumble, hum, hiss, click.

Each maker returns one dry noise, one channel, at the rate asked for; what is drawn at random makes no two alike.
"""

import numpy as np
from scipy import signal

from training import note_editing as shaping
from training.noises import Maker, breath, creak, knock, mechanism, paper
from training.note_editing import Array

VOWELS_HZ = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))


def voice(rate_hz: int, rng: np.random.Generator) -> Array:
    """A word or a cough: a buzzing source, or air, through the resonances of a mouth."""
    return cough(rate_hz, rng) if rng.random() < 0.5 else word(rate_hz, rng)


def word(rate_hz: int, rng: np.random.Generator) -> Array:
    """One to three syllables: pulses of 80 to 250 Hz that glide, through formants (Peterson and Barney, 1952)."""
    parts = []
    f0_hz = rng.uniform(80, 250)
    for _ in range(int(rng.integers(1, 4))):
        count = int(rng.uniform(0.1, 0.3) * rate_hz)
        phase = np.cumsum(f0_hz * (1 + rng.uniform(-0.2, 0.2) * np.linspace(0, 1, count))) / rate_hz
        source = np.diff(np.floor(phase), prepend=0.0) + 0.02 * rng.standard_normal(count)
        vowel = VOWELS_HZ[int(rng.integers(len(VOWELS_HZ)))]
        parts += [
            _formants(source, vowel, rate_hz) * np.hanning(count) ** 0.5,
            np.zeros(int(rng.uniform(0, 0.08) * rate_hz)),
        ]
    return np.concatenate(parts)


def cough(rate_hz: int, rng: np.random.Generator) -> Array:
    """A burst of air through a mouth, sudden and dying over 0.1 to 0.3 s, sometimes twice."""
    parts = []
    for _ in range(int(rng.integers(1, 3))):
        time_s = np.arange(int(rng.uniform(0.2, 0.4) * rate_hz)) / rate_hz
        burst = (
            rng.standard_normal(len(time_s))
            * np.minimum(time_s / 0.008, 1)
            * np.exp(-time_s / rng.uniform(0.04, 0.1))
        )
        parts.append(_formants(burst, (rng.uniform(400, 800), rng.uniform(1000, 1800), 2600.0), rate_hz))
    return np.concatenate(parts)


def bleed(rate_hz: int, rng: np.random.Generator) -> Array:
    """A click track out of a headphone: short beeps, or ticks, at a tempo, without bass."""
    period = int(60 / rng.uniform(80, 180) * rate_hz)
    count = int(rng.integers(2, 4))
    tone_hz = rng.uniform(700, 3500)
    time_s = np.arange(int(rng.uniform(0.015, 0.06) * rate_hz)) / rate_hz
    beep = signal.square(2 * np.pi * tone_hz * time_s) if rng.random() < 0.5 else np.sin(2 * np.pi * tone_hz * time_s)
    beep = beep * np.exp(-time_s / rng.uniform(0.01, 0.05))
    out = np.zeros(period * (count - 1) + len(beep))
    for k in range(count):
        out[k * period : k * period + len(beep)] += beep
    return np.asarray(signal.sosfilt(signal.butter(2, (500, 9000), "bandpass", fs=rate_hz, output="sos"), out))


def rumble(rate_hz: int, rng: np.random.Generator) -> Array:
    """Somebody touches a stand, or a lorry passes: noise below 60 Hz that swells for half a second or more."""
    count = int(rng.uniform(0.5, 1.2) * rate_hz)
    sos = signal.butter(3, (18, rng.uniform(45, 70)), "bandpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos, rng.standard_normal(count)) * np.hanning(count) ** 0.7)


def hum(rate_hz: int, rng: np.random.Generator) -> Array:
    """A buzz that comes and goes: mains and its harmonics."""
    time_s = np.arange(int(rng.uniform(0.5, 1.0) * rate_hz)) / rate_hz
    mains_hz = float(rng.choice([50.0, 60.0]))
    parts = [
        np.sin(2 * np.pi * mains_hz * k * time_s + rng.uniform(0, 6)) * rng.uniform(0.2, 1) / k**0.5
        for k in range(1, 12)
    ]
    return shaping.faded(np.sum(parts, axis=0), rate_hz, 0.01, 0.01)


def hiss(rate_hz: int, rng: np.random.Generator) -> Array:
    """Steady treble for half a second or more: a valve that leaks, an air duct."""
    count = int(rng.uniform(0.5, 1.2) * rate_hz)
    sos = signal.butter(2, rng.uniform(2500, 6000), "highpass", fs=rate_hz, output="sos")
    return shaping.faded(signal.sosfilt(sos, rng.standard_normal(count)), rate_hz, 0.05, 0.05)


def click(rate_hz: int, rng: np.random.Generator) -> Array:
    """A tick of a thing: one to three resonances in the treble that die within a few milliseconds."""
    time_s = np.arange(int(0.03 * rate_hz)) / rate_hz
    rings = [
        np.sin(2 * np.pi * rng.uniform(1500, 9000) * time_s) * np.exp(-time_s / rng.uniform(0.0005, 0.003))
        for _ in range(int(rng.integers(1, 4)))
    ]
    return np.asarray(np.sum(rings, axis=0))


def smack(rate_hz: int, rng: np.random.Generator) -> Array:
    """Lips that part: two or three wet clicks within 60 ms."""
    out = np.zeros(int(0.1 * rate_hz))
    for _ in range(int(rng.integers(2, 4))):
        tick, at = click(rate_hz, rng), int(rng.uniform(0, 0.06) * rate_hz)
        out[at : at + len(tick)] += tick * rng.uniform(0.3, 1.0)
    return out


def thump(rate_hz: int, rng: np.random.Generator) -> Array:
    """A microphone or its stand is handled: a few dull blows."""
    out = np.zeros(int(0.6 * rate_hz))
    for _ in range(int(rng.integers(1, 4))):
        blow, at = knock(rate_hz, rng), int(rng.uniform(0, 0.35) * rate_hz)
        out[at : at + len(blow)] += blow * rng.uniform(0.3, 1.0)
    return np.asarray(signal.sosfilt(signal.butter(2, 300, "lowpass", fs=rate_hz, output="sos"), out))


def _formants(source: Array, formants_hz: tuple[float, ...], rate_hz: int) -> Array:
    out = np.zeros(len(source))
    for k, centre_hz in enumerate(formants_hz):
        b, a = signal.iirpeak(centre_hz, centre_hz / (80 + 40 * k), fs=rate_hz)
        out += signal.lfilter(b, a, source) / (1 + k)
    return out


def _either(*makers: Maker) -> Maker:
    return lambda rate_hz, rng: makers[int(rng.integers(len(makers)))](rate_hz, rng)


MAKERS: dict[str, Maker] = {
    "knock": _either(knock, thump),
    "creak": creak,
    "breath": breath,
    "mechanism": _either(mechanism, smack),
    "paper": paper,
    "voice": voice,
    "bleed": bleed,
    "rumble": rumble,
    "hum": hum,
    "hiss": hiss,
    "click": click,
}

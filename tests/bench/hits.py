"""What listening for noise costs, beside one 128-band log-mel pass: ``python -m tests.bench.hits``.

All microphones' noise hits (their frames, the sample checks, impulses, hum, the noise network) against torchaudio's
MelSpectrogram of 128 bands every 10 ms over the same audio, in the same run, on one thread. The median of a few runs.
"""

import time

import numpy as np
import torch
from torchaudio.transforms import MelSpectrogram

from tests.listen.sounds import RATE_HZ, span_of, take, tone
from triage.listen.digital import SampleCheck
from triage.listen.hits import analyse_mic, noise_events
from triage.listen.logmel import LogMel
from triage.listen.noise_network import load_detector
from triage.listen.notes import find_notes
from triage.listen.stationary_noise import HumDetector

MICS, LENGTH_S, RUNS, BLOCK = 6, 60.0, 5, 10 * RATE_HZ


def made() -> np.ndarray:
    """Return a take of 60 s on six microphones, a note every 2 s, shape (channel, sample)."""
    notes = [(0.5 + 2 * k, tone(110.0 * 2 ** (k / 12), 1.0)) for k in range(int(LENGTH_S / 2) - 1)]
    return np.stack([take(notes, LENGTH_S, seed=mic) for mic in range(MICS)]).astype(np.float32)


def listen(tracks: np.ndarray, notes: list) -> dict[str, float]:
    """Listen to all tracks as the tool does; return seconds by part."""
    spent, check, hum = {}, SampleCheck(RATE_HZ, len(tracks)), HumDetector(RATE_HZ, len(tracks))
    transform, blocks = LogMel(RATE_HZ), np.array_split(tracks, tracks.shape[1] // BLOCK, axis=1)

    def timed(name, work):
        begin = time.perf_counter()
        result = work()
        spent[name] = spent.get(name, 0.0) + time.perf_counter() - begin
        return result

    frames = timed("frames", lambda: np.concatenate(list(transform.frames(blocks)), axis=2))
    for block in blocks:
        timed("samples", lambda block=block: check.add(block))
        timed("hum", lambda block=block: hum.add(block))
    timed("samples", lambda: (check.holes(), check.clicks()))
    timed("hum", hum.hum)
    detector = load_detector()
    heard = [timed("network", lambda own=own: analyse_mic(own, notes, "mic", detector)) for own in frames]
    timed("events", lambda: noise_events(heard, notes, detector))
    return spent


def main() -> None:
    """Print the seconds of each part and their ratio to the log-mel pass."""
    torch.set_num_threads(1)
    tracks = made()
    frames = LogMel(RATE_HZ)(tracks[:1])[0]
    notes = find_notes(frames, span_of(tracks[0]), RATE_HZ)[0]
    mel = MelSpectrogram(RATE_HZ, n_fft=2048, hop_length=480, n_mels=128)
    passes, runs = [], []
    for _ in range(RUNS):
        begin = time.perf_counter()
        torch.log(mel(torch.from_numpy(tracks)) + 1e-10)
        passes.append(time.perf_counter() - begin)
        runs.append(listen(tracks, notes))
    base = float(np.median(passes))
    print(f"log-mel pass, 128 bands, {MICS} microphones of {LENGTH_S:.0f} s: {base:.3f} s")
    for name in runs[0]:
        print(f"  {name:<12}{np.median([run[name] for run in runs]):.3f} s")
    total = float(np.median([sum(run.values()) for run in runs]))
    print(f"all microphones' noise hits: {total:.3f} s, {total / base:.2f} times the log-mel pass (aim: 2)")


if __name__ == "__main__":
    main()

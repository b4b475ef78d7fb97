"""How fast a session is taken in, as tables of Markdown: ``python -m tests.bench``, on a quiet machine.

Two shapes of session: few long takes on many microphones (24 tracks of 60 s), and many short ones on few (3 tracks of
20 s, 100 takes), where the notes, measured on one microphone, weigh most.

Throughput is in seconds of tracks: a take of 60 s on 24 microphones is 1440. "x real time a core" is how many such
seconds one core's second hears. Reading and the log-mel pass are measured in the same run on the same files: all with
soundfile, and 128 bands every 10 ms with torchaudio. Times of single steps are of the processor; those of whole
sessions and of a take's way into the queue are of the clock, on all cores. No test: it asserts nothing.
"""

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread

import numpy as np
import soundfile
import torch
from torchaudio.transforms import MelSpectrogram

from tests.bench.made import Size, name, write_description, write_made
from tests.bench.memory import Peak, cores, tree
from tests.bench.stages import STAGES, Stages
from triage.analysis.take import analyse_take
from triage.intake.arrivals import ArrivedSession, check_arrivals
from triage.intake.arriving import WaitingTimes
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet
from triage.store.engine import open_store
from triage.watch import Follower, watch

READING, LOG_MEL = "reading alone (soundfile)", "log-mel pass (torchaudio, 128 bands)"
SHORT_TRACKS, SHORT_S, SHORT_TAKES = 3, 20.0, 100  # of the other shape of session, at the first rate
RUNS = 3  # of what is measured stage by stage
RENDERED = 3  # takes; the others of a long session are copies of them under other names


def main() -> None:
    """Measure what was asked for and print it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", nargs="+", default=["take", "queue", "session", "day", "scaling", "cluster"])
    parser.add_argument("--rates", nargs="+", type=int, default=[48_000, 96_000])
    parser.add_argument("--tracks", type=int, default=24)
    parser.add_argument("--takes", type=int, default=12, help="of the session")
    parser.add_argument("--day", type=int, default=60, help="takes of the day")
    parser.add_argument("--seconds", type=float, default=60.0, help="of a take")
    parser.add_argument("--keep", type=Path, help="folder where the rendered takes are kept for another run")
    chosen = parser.parse_args()
    torch.set_num_threads(1)
    if chosen.keep:
        chosen.keep.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=chosen.keep) as home:
        kept = chosen.keep or Path(home)
        size = f"{chosen.tracks}x{chosen.seconds:g}s"
        made = {
            rate: _rendered(kept / f"{size}-{rate}", Size(RENDERED, chosen.tracks, chosen.seconds, rate))
            for rate in chosen.rates
        }
        for part in chosen.parts:
            globals()[f"{part}_part"](made, chosen, Path(home) / part)


def take_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print what one take costs, stage by stage, beside reading it and one log-mel pass."""
    shapes = {f"{chosen.tracks} x {chosen.seconds:g} s, {rate / 1000:g} kHz": made[rate] for rate in made}
    shapes[f"{SHORT_TRACKS} x {SHORT_S:g} s"] = _short(made, chosen, home)
    columns = {shape: _one_take(folder) for shape, folder in shapes.items()}
    print("\nOne take, one core, CPU ms a minute of track\n")
    print("| stage | " + " | ".join(columns) + " |")
    print("| --- |" + " ---: |" * len(columns))
    for row in (*STAGES, "all else", "whole take", READING, LOG_MEL):
        print(f"| {row} | " + " | ".join(f"{1000 * f[row] / f['minutes']:.0f}" for f in columns.values()) + " |")
    for row, of in (("x real time a core", None), ("times reading", READING), ("times the log-mel pass", LOG_MEL)):
        cells = [
            60 * f["minutes"] / f["whole take"] if of is None else f["whole take"] / f[of] for f in columns.values()
        ]
        print(f"| **{row}** | " + " | ".join(f"{cell:.2f}" if of else f"{cell:.0f}" for cell in cells) + " |")


def queue_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print how long after its last file's closing a take is in the queue, a watch already running."""
    print(f"\nA take of {chosen.seconds:.0f} s on {chosen.tracks} tracks into the queue, `triage watch` running\n")
    print("| rate | s after its last file was closed |\n| --- | --- |")
    for rate, folder in made.items():
        print(f"| {rate / 1000:g} kHz | {', '.join(f'{s:.1f}' for s in _into_queue(folder, home / str(rate)))} |")


def session_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print the throughput of a session of either shape on all cores."""
    print(f"\nSessions, {cores()} cores\n")
    _head()
    for rate, folder in made.items():
        row = f"{chosen.tracks} tracks of {chosen.seconds:g} s, {rate / 1000:g} kHz"
        _row(row, _many(folder, home / str(rate), chosen.takes), cores())
    short = _short(made, chosen, home)
    _row(f"{SHORT_TRACKS} tracks of {SHORT_S:g} s", _many(short, home / "short", SHORT_TAKES), cores())


def day_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print the throughput of a long day, at the first rate."""
    rate, folder = next(iter(made.items()))
    print(f"\nA day of {chosen.day} takes on {chosen.tracks} tracks, {rate / 1000:g} kHz, {cores()} cores\n")
    _head()
    _row("day", _many(folder, home, chosen.day), cores())


def scaling_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print how throughput changes with takes, tracks and cores, at the first rate."""
    rate, folder = next(iter(made.items()))
    print(f"\nScaling at {rate / 1000:g} kHz\n")
    _head()
    for takes in (1, 4, 8):
        _row(f"{takes} takes, {chosen.tracks} tracks", _many(folder, home / f"takes{takes}", takes), cores())
    for tracks in (1, 6, chosen.tracks):
        size = Size(RENDERED, tracks, chosen.seconds, rate)
        few = folder if tracks == chosen.tracks else write_made(home / f"m{tracks}", size)
        _row(f"8 takes, {tracks} tracks", _many(few, home / f"tracks{tracks}", 8), cores())
    for n in range(1, cores() + 1):
        _row(f"8 takes, {chosen.tracks} tracks, {n} of the cores", _many(folder, home / f"cores{n}", 8, n), n)


def cluster_part(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> None:
    """Print what one and more workers of a Ray cluster hear, from the first take to the last, and if one is lost."""
    rate, folder = next(iter(made.items()))
    print(f"\nA cluster of this machine, {chosen.takes} takes on {chosen.tracks} tracks, {rate / 1000:g} kHz\n")
    print("| workers | s in all | track-seconds a second, first take to last | efficiency |\n| --- |" + " ---: |" * 3)
    alone = 0.0
    for n, lost in (*((n, False) for n in range(1, cores() + 1)), (cores(), True)):
        found = _many(folder, home / f"{n}{lost}", chosen.takes, n, "local", lost)
        # The first take each worker hears is not between the first and the last result.
        rate_s = found["track_s"] * (1 - n / found["takes"]) / found["between_s"]
        alone = alone or rate_s
        assert found["takes"] == chosen.takes  # those of the lost worker were done again
        workers = f"{n}{', one of them killed' if lost else ''}"
        print(f"| {workers} | {found['intake_s']:.1f} | {rate_s:.0f} | {rate_s / (n * alone):.2f} |", flush=True)


def _rendered(folder: Path, size: Size) -> Path:
    return folder if (folder / "take_sheet.csv").exists() else write_made(folder, size)


def _short(made: dict[int, Path], chosen: argparse.Namespace, home: Path) -> Path:
    """Return takes of the other shape, rendered at the first rate."""
    size = Size(RENDERED, SHORT_TRACKS, SHORT_S, next(iter(made)))
    return _rendered((chosen.keep or home) / f"{size.tracks}x{size.take_s:g}s-{size.rate_hz}", size)


def _roll(folder: Path) -> tuple[ArrivedSession, str, float]:
    session = read_session(folder)
    arrived = check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", 4))
    return arrived, session.reference_mic_name(), session.a4_hz


def _one_take(folder: Path) -> dict[str, float]:
    """Return seconds of the processor by stage, of reading alone and of one log-mel pass: each the least of RUNS."""
    arrived, mic, a4_hz = _roll(folder)
    analyse_take(arrived.takes[0], folder, mic, a4_hz)  # loads models, plans transforms
    best: dict[str, float] = {}
    for _ in range(RUNS):
        stages, began = Stages(), time.thread_time()
        with stages.watched():
            analyse_take(arrived.takes[1], folder, mic, a4_hz)
        found = {stage: stages.spent_s[stage] for stage in STAGES} | {"whole take": time.thread_time() - began}
        found |= _passes([folder / track.path for track in arrived.takes[1].tracks])
        best = {row: min(spent_s, best.get(row, spent_s)) for row, spent_s in found.items()}
    facts = [track.facts for track in arrived.takes[1].tracks]
    minutes = sum(one.frames / one.sample_rate_hz for one in facts) / 60
    return best | {"minutes": minutes, "all else": best["whole take"] - sum(best[stage] for stage in STAGES)}


def _passes(paths: list[Path]) -> dict[str, float]:
    """Return seconds of the processor of reading the files, and of one log-mel pass over what was read."""
    rate_hz, began = soundfile.info(paths[0]).samplerate, time.thread_time()
    waves = [soundfile.read(path, dtype="float32")[0] for path in paths]
    read_s = time.thread_time() - began
    n_fft = 2 ** round(np.log2(2048 / 48_000 * rate_hz))
    mel = MelSpectrogram(rate_hz, n_fft=n_fft, hop_length=rate_hz // 100, n_mels=128)
    torch.log(mel(torch.from_numpy(waves[0])) + 1e-10)
    began = time.thread_time()
    for wave in waves:
        torch.log(mel(torch.from_numpy(wave)) + 1e-10)
    return {READING: read_s, LOG_MEL: time.thread_time() - began}


def _into_queue(folder: Path, home: Path) -> list[float]:
    """Copy takes into a watched folder one after another; return when each stood in the queue after its last file."""
    shutil.copytree(folder, home, ignore=shutil.ignore_patterns("*.wav"))
    engine, closed, after_s = open_store(f"sqlite:///{home}.db"), [0.0], []

    def taken(one: object) -> None:
        after_s.append(time.monotonic() - closed[0])

    follower = Follower(home, engine, WaitingTimes(), taken, lambda line: None)
    ended = Event()
    thread = Thread(target=watch, args=(follower, None, ended), daemon=True)
    thread.start()
    for number in range(1, RENDERED + 1):
        for path in sorted((folder / "audio").glob(f"{name(number)}_*")):
            shutil.copyfile(path, home / "audio" / path.name)
        closed[0] = time.monotonic()
        while len(after_s) < number:
            time.sleep(0.02)
    ended.set()
    thread.join()
    engine.dispose()
    return after_s


def _many(
    folder: Path,
    home: Path,
    takes: int,
    n_cores: int | None = None,
    cluster: str | None = None,
    lose_one: bool = False,
) -> dict[str, float]:
    """Take a session of so many takes in, in a process of its own; return what it told and took."""
    soundfiles = sorted((folder / "audio").glob("*.wav"))
    rate_hz, tracks = soundfile.info(soundfiles[0]).samplerate, len(soundfiles) // RENDERED
    size = Size(takes, tracks, soundfile.info(soundfiles[0]).duration, rate_hz)
    (home / "audio").mkdir(parents=True)
    write_description(home, size)
    for number in range(1, takes + 1):
        for path in (folder / "audio").glob(f"{name((number - 1) % RENDERED + 1)}_*"):
            os.link(path, home / "audio" / path.name.replace(path.name[:4], name(number), 1))
    command = [sys.executable, "-m", "tests.bench.alone", str(home), f"sqlite:///{home}.db", str(n_cores or cores())]
    command += [cluster] if cluster else []
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"})
    if lose_one:
        Thread(target=_kill_a_worker, args=(process.pid,), daemon=True).start()
    with Peak(process.pid) as peak:
        told = json.loads(process.communicate()[0].splitlines()[-1])  # Ray says there what it lost
    shutil.rmtree(home)
    return told | {"track_s": takes * tracks * size.take_s, "bytes": float(peak.bytes), "cpu_s": peak.cpu_s}


def _kill_a_worker(pid: int) -> None:
    """Kill one of the workers that a run started, a second after it was first seen at a take."""
    for _ in range(3000):
        for one in tree(pid):
            with suppress(OSError):  # it has just ended
                if Path(f"/proc/{one}/cmdline").read_bytes().startswith(b"ray::analysed"):
                    time.sleep(1)
                    return os.kill(one, signal.SIGKILL)
        time.sleep(0.1)


def _head() -> None:
    print("| | takes | s | track-seconds a second | x real time a core | CPU s, with start | memory | unchanged |")
    print("| --- |" + " ---: |" * 7)


def _row(what: str, found: dict[str, float], n_cores: int) -> None:
    rate, again = found["track_s"] / found["intake_s"], found["again_s"]
    print(
        f"| {what} | {found['takes']} | {found['intake_s']:.1f} | {rate:.0f} | {rate / n_cores:.0f} "
        f"| {found['cpu_s']:.1f} | {found['bytes'] / 1e9:.2f} GB "
        f"| {again:.2f} s, {again / found['intake_s']:.1%} |",
        flush=True,
    )

"""Coverage-guided fuzzing with atheris, which is no part of any extra: ``pip install atheris``.

``python -m tests.fuzz recording --seconds 600`` fuzzes one target, without a name each in turn. A crash, an input
that takes over 10 s or one that takes over 1 GB ends it with status 1 and leaves the input in the folder named.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

SLOWEST_S, MOST_MB = 10, 1024


def one(name: str, seconds: int, corpus: Path) -> None:
    """Fuzz one target in this process; does not return."""
    import atheris

    # The libraries that take the bytes apart are watched too.
    with atheris.instrument_imports(include=["triage", "wavinfo", "tomllib", "csv", "skops", "json", "zipfile"]):
        from tests.fuzz.targets import TARGETS, tried

    target = TARGETS[name]
    for number, seed in enumerate(target.seeds):
        (corpus / f"seed-{number}").write_bytes(seed)
    flags = [
        f"-max_total_time={seconds}",
        f"-timeout={SLOWEST_S}",
        f"-rss_limit_mb={MOST_MB}",
        f"-artifact_prefix={corpus.parent}/",
        "-print_final_stats=1",
        str(corpus),
    ]
    atheris.Setup([sys.argv[0], *flags], lambda data: tried(target, data))
    atheris.Fuzz()


def main() -> int:
    """Fuzz the targets asked for, each in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", nargs="?", help="see tests/fuzz/targets.py")
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--corpus", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.corpus:
        one(asked.target, asked.seconds, asked.corpus)
    from tests.fuzz.targets import TARGETS  # not before: what is loaded already cannot be watched

    wrong = 0
    for name in [asked.target] if asked.target else TARGETS:
        corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-")) / "corpus"
        corpus.mkdir()
        command = [sys.executable, "-m", "tests.fuzz", name, "--seconds", str(asked.seconds), "--corpus", str(corpus)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        told = [line for line in done.stderr.splitlines() if "number_of_executed_units" in line]
        runs = told[-1].split()[-1] if told else "?"
        how = f"a fault, see {corpus.parent}" if done.returncode else "no fault"
        print(f"{name}: {runs} inputs, {how}", flush=True)
        if done.returncode:
            wrong += 1
            print(done.stderr[-3000:], flush=True)
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())

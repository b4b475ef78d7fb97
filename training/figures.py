"""The figures of the README, one after another: ``python -m training.figures``; ``--only queue`` for one of them.

Each is a command of its own, printed before it runs, on sessions built from seeds: whoever has the same recordings
gets the same figures. What needs a folder that is not named is left out, and said to be; hours on two cores in all.
"""

import shlex
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer

from triage.cli.output import notify, put

FIGURES = {
    "queue": "training.evaluate --recordings RECORDINGS --cache CACHE",
    "embeddings": "training.evaluate ablation --recordings RECORDINGS --cache CACHE",
    "noise": "training.evaluate noise --recordings RECORDINGS --public PUBLIC",
    "second-generator": "training.trial_evaluation --public PUBLIC --recordings RECORDINGS --sessions 3 "
    "--first-seed 41 --natural-sounds both",
    "learning": "training.taste_evaluation --public PUBLIC --recordings RECORDINGS --cache CACHE",
    "pickups": "training.pickups_evaluation --seeds 2 --most 20",
    "consistency": "training.consistency_evaluation --seeds 2",
}


def main(
    only: Annotated[list[str] | None, typer.Option(help=f"One of {', '.join(FIGURES)}; may be given again")] = None,
    recordings: Annotated[Path | None, typer.Option(help="Folder with notes.csv and noise.csv")] = None,
    public: Annotated[Path | None, typer.Option(help="Folder of the public collections' checkouts")] = None,
    cache: Annotated[Path, typer.Option(help="Folder that keeps analyses for another run")] = Path("figures-cache"),
) -> None:
    """Print the figures of the README. Status 1 where a command failed, 3 where one was left out."""
    if unknown := sorted(set(only or ()) - FIGURES.keys()):
        raise typer.BadParameter(f"{', '.join(unknown)}: none of {', '.join(FIGURES)}", param_hint="--only")
    folders = {"RECORDINGS": recordings, "PUBLIC": public, "CACHE": cache}
    failed, left_out = False, False
    for name in only or FIGURES:
        words = shlex.split(FIGURES[name])
        if lacking := [f"--{word.lower()}" for word in words if folders.get(word, cache) is None]:
            left_out = True
            notify(f"{name}: left out; it needs {' and '.join(lacking)}")
            continue
        words = [str(folders.get(word, word)) for word in words]
        put(f"\n## {name}: python -m {shlex.join(words)}\n\n")
        failed |= subprocess.run([sys.executable, "-m", *words]).returncode != 0
    raise typer.Exit(1 if failed else 3 if left_out else 0)


if __name__ == "__main__":
    typer.run(main)

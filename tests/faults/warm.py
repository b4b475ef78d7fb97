"""A warm process that forks: each command of the tool starts within milliseconds, so that a kill hits its work.

Loading torch takes seconds, in which a kill at a random moment would nearly always fall. So one process loads
everything once and, asked on its standard input, forks a child that runs `triage` with given arguments and limits.
``Warm`` is the other end, in the test: it starts commands, kills them and asks how they ended.
"""

import json
import os
import resource
import signal
import subprocess
import sys
import traceback
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
BUG = 70  # exit status of a command that ended with a traceback
STARTING_S = 240


@dataclass
class Running:
    """One command under way."""

    warm: "Warm"
    pid: int
    out: Path

    def kill(self) -> None:
        """End it as a power cut would: at once, with everything it started."""
        with suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)

    def wait(self) -> int:
        """Return its exit status, minus the signal's number where one ended it."""
        return int(self.warm.ask({"wait": self.pid})["status"])

    @property
    def output(self) -> str:
        """Return what it wrote so far."""
        return self.out.read_text(encoding="utf-8", errors="replace") if self.out.exists() else ""


class Warm:
    """The warm process, started once for all tests."""

    def __init__(self, home: Path):
        self.home, self.count = home, 0
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.warm"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"OMP_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)},
        )
        assert self.ask({"ready": True})["ready"]

    def start(self, *arguments: object, **how: Any) -> Running:
        """Start `triage` with these arguments; ``how``: env, cwd, most_bytes (of a file written)."""
        self.count += 1
        out = self.home / f"output-{self.count}.txt"
        order = {"arguments": [str(one) for one in arguments], "out": str(out), **how}
        return Running(self, int(self.ask(order)["pid"]), out)

    def run(self, *arguments: object, **how: Any) -> tuple[int, str]:
        """Run `triage` to its end; return exit status and what it wrote."""
        running = self.start(*arguments, **how)
        return running.wait(), running.output

    def ask(self, order: dict[str, Any]) -> dict[str, Any]:
        """Send one line and return the answer."""
        assert self.process.stdin and self.process.stdout
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()
        answer: dict[str, Any] = json.loads(self.process.stdout.readline())
        return answer

    def stop(self) -> None:
        """End the warm process."""
        assert self.process.stdin and self.process.stdout
        self.process.stdin.close()
        self.process.wait(STARTING_S)
        self.process.stdout.close()


def _child(order: dict[str, Any]) -> None:
    os.setsid()
    out = os.open(order["out"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    for stream, into in ((0, os.open(os.devnull, os.O_RDONLY)), (1, out), (2, out)):
        os.dup2(into, stream)
    os.environ.update(order.get("env", {}))
    os.chdir(order.get("cwd", "."))
    if most := order.get("most_bytes"):
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    from triage.cli import main as cli

    try:
        cli.main(order["arguments"])
        status: Any = 0
    except SystemExit as left:
        status = left.code or 0
    except BaseException:
        traceback.print_exc()
        status = BUG
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(int(status))


def _load() -> None:
    """Load what any command needs; one thread, for a copy of a process with more of them can hang."""
    import mlflow.tracking  # noqa: F401
    import torch

    torch.set_num_threads(1)
    import training.retraining  # noqa: F401
    import triage.desk.serving
    import triage.pipeline
    import triage.watch  # noqa: F401
    from triage.analysis import workers
    from triage.analysis.encoding import encoder_in_use
    from triage.judge.doubt import load_model

    workers.cores = lambda: 1  # type: ignore[assignment]
    encoder_in_use()
    load_model()


def _serve() -> None:
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # nothing but answers goes out there
    _load()
    for line in sys.stdin:
        order = json.loads(line)
        if "wait" in order:
            _, how = os.waitpid(order["wait"], 0)
            answer: dict[str, Any] = {"status": os.waitstatus_to_exitcode(how)}
        elif "arguments" in order:
            pid = os.fork()
            if not pid:
                _child(order)
            answer = {"pid": pid}
        else:
            answer = {"ready": True}
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


if __name__ == "__main__":
    _serve()

"""What a take costs, stage by stage: time of the processor, of this thread, each stage without those inside it."""

import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

# Stage -> what belongs to it, as module:name or module:class.name; what is not there (any more) is passed over.
STAGES = {
    "read and decode": ("triage.intake.wav:blocks", "triage.intake.wav:read_span"),
    "log-mel frames": ("triage.listen.logmel:LogMel._transform",),
    "samples: dropouts, clips, clicks": (
        "triage.listen.digital:SampleCheck.add",
        "triage.listen.digital:SampleCheck.clicks",
        "triage.listen.digital:SampleCheck.holes",
        "triage.listen.impulses:ImpulseDetector.add",
    ),
    "backgrounds and hum": (
        "triage.listen.background:BackgroundMeter.add",
        "triage.listen.stationary_noise:HumDetector.add",
        "triage.listen.stationary_noise:HumDetector.hum",
    ),
    "pictures, outlines, digest": (
        "triage.listen.preview:Sketch.add",
        "triage.analysis.previews:Previews.add",
        "triage.analysis.previews:Previews.result",
    ),
    "lag and polarity": ("triage.analysis.take:noise_floor",),
    "noise hits of all microphones": (
        "triage.analysis.noise_hits:NoiseHits.add",
        "triage.analysis.noise_hits:NoiseHits.hits",
    ),
    "notes and measurements": ("triage.analysis.take:measured_track",),
    "encoder": ("triage.analysis.measured_track:encode",),
}


class Stages:
    """Adds up what each stage costs while ``watched``."""

    def __init__(self) -> None:
        self.spent_s: dict[str, float] = defaultdict(float)
        self._inside: list[float] = []

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Watch the stages within the block."""
        before = [(owner, name, getattr(owner, name), stage) for stage, owner, name in _found()]
        for owner, name, work, stage in before:
            setattr(owner, name, self._timed(work, stage))
        try:
            yield
        finally:
            for owner, name, work, _ in before:
                setattr(owner, name, work)

    def _timed(self, work: Callable[..., Any], stage: str) -> Callable[..., Any]:
        def timed(*arguments: Any, **options: Any) -> Any:
            result = self._clocked(lambda: work(*arguments, **options), stage)
            return self._each(result, stage) if hasattr(result, "__next__") else result

        return timed

    def _each(self, parts: Iterator[Any], stage: str) -> Iterator[Any]:
        nothing = object()
        while (part := self._clocked(lambda: next(parts, nothing), stage)) is not nothing:
            yield part

    def _clocked(self, work: Callable[[], Any], stage: str) -> Any:
        began = time.thread_time()
        self._inside.append(0.0)
        try:
            return work()
        finally:
            whole_s, inside_s = time.thread_time() - began, self._inside.pop()
            self.spent_s[stage] += whole_s - inside_s
            if self._inside:
                self._inside[-1] += whole_s


def _found() -> Iterator[tuple[str, Any, str]]:
    for stage, names in STAGES.items():
        for place in names:
            module, _, path = place.partition(":")
            owner: Any = import_module(module)
            *outer, name = path.split(".")
            for step in outer:
                owner = getattr(owner, step, None)
            if owner is not None and hasattr(owner, name):
                yield stage, owner, name

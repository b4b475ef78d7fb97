"""What an evaluation of noise hits found: the counts of each session, and the report made of them.

In: one ``Tally`` a session. Out: plain values, and Markdown.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from training.noise_baselines import BASELINES
from training.planted_clicks import Clicks
from triage.domain.kinds import UNCLEAR

TOOL = "take triage"
BOOTSTRAPS = 1000


@dataclass
class Tally:
    """What one session showed; counts add up over sessions."""

    minutes: float = 0.0
    true_loud: int = 0
    true_all: int = 0
    hit_loud: dict[str, int] = field(default_factory=dict)  # finder -> count
    hit_all: dict[str, int] = field(default_factory=dict)
    false: dict[str, int] = field(default_factory=dict)
    false_loud: dict[str, int] = field(default_factory=dict)  # of them, those reported 25 dB over the floor
    near: list[bool] = field(default_factory=list)
    near_either: list[bool] = field(default_factory=list)  # it or the second guess
    sources: list[tuple[str, bool]] = field(default_factory=list)  # (source of the clip, found) of exposed noises
    kinds: list[tuple[str, str]] = field(default_factory=list)  # (planted, found)
    masked: int = 0
    masked_flagged: int = 0
    doubted: int = 0  # noise spots of a clean session with a doubt of one half
    technical: int = 0
    clicks: Clicks = field(default_factory=Clicks)


def added(tallies: Sequence[Tally]) -> Tally:
    """Return the counts of several sessions together."""
    whole = Tally()
    for one in tallies:
        for name, value in vars(one).items():
            own = getattr(whole, name)
            if isinstance(value, dict):
                for key, count in value.items():
                    own[key] = own.get(key, 0) + count
            else:
                setattr(whole, name, own + value)
    return whole


def f1(hits: int, false: int, true: int) -> float:
    """Return 2 hits / (found + true), found being hits and false ones; NaN where nothing is there or found."""
    return 2 * hits / (hits + false + true) if hits + false + true else float("nan")


def report(noisy: Sequence[Tally], clean: Sequence[Tally]) -> dict[str, Any]:
    """Return everything that is printed, as plain values."""
    both, quiet = added(noisy), added(clean)
    rows = {}
    for name in (TOOL, *(base for base in BASELINES if any(key.startswith(f"{base}/") for key in both.false))):
        keys = [key for key in both.false if key == name or key.startswith(f"{name}/")]
        best = max(keys, key=lambda key: f1(both.hit_all[key], both.false[key], both.true_all))
        each = [f1(t.hit_all[best], t.false[best], t.true_all) for t in noisy]
        rows[name] = {
            "f1_loud": f1(both.hit_loud[best], both.false_loud[best], both.true_loud),
            "f1_loud_all_false": f1(both.hit_loud[best], both.false[best], both.true_loud),
            "f1_all": f1(both.hit_all[best], both.false[best], both.true_all),
            "f1_all_error": float(np.std(each, ddof=1) / len(each) ** 0.5) if len(each) > 1 else float("nan"),
            "recall_loud": both.hit_loud[best] / max(both.true_loud, 1),
            "false_a_minute_clean": quiet.false.get(best, 0) / max(quiet.minutes, 1e-9),
        }
    right = [planted == found_ for planted, found_ in both.kinds]
    told = [planted == found_ for planted, found_ in both.kinds if found_ != UNCLEAR]
    return {
        "sessions": [len(noisy), len(clean)],
        "minutes": [both.minutes, quiet.minutes],
        "events": both.true_all,
        "events_loud": both.true_loud,
        "table": rows,
        "nearest_right": float(np.mean(both.near)) if both.near else float("nan"),
        "nearest": len(both.near),
        "nearest_or_second": float(np.mean(both.near_either)) if both.near_either else float("nan"),
        "kind_right": float(np.mean(right)) if right else float("nan"),
        "kind_told": len(told) / max(len(right), 1),
        "kind_told_right": float(np.mean(told)) if told else float("nan"),
        "tool": _with_intervals(noisy, clean),
        "recall_by_source": {
            source: [float(np.mean(own)), len(own)]
            for source in sorted({name for name, _ in both.sources})
            for own in [[found_ for name, found_ in both.sources if name == source]]
        },
        "masked_flagged": both.masked_flagged / max(both.masked, 1),
        "masked": both.masked,
        "doubted_a_minute": quiet.doubted / max(quiet.minutes, 1e-9),
        "clicks_found": quiet.clicks.found / max(quiet.clicks.planted, 1),
        "clicks": quiet.clicks.planted,
        "false_clicks_a_minute": quiet.clicks.false / max(quiet.clicks.minutes, 1e-9),
        "click_minutes": quiet.clicks.minutes,
    }


def _with_intervals(noisy: Sequence[Tally], clean: Sequence[Tally]) -> dict[str, list[float]]:
    """Return the tool's main figures, each with the ends of its 95 % interval by bootstrap over sessions."""
    drawn = np.random.default_rng(0).integers(len(noisy), size=(BOOTSTRAPS, len(noisy)))
    quiet = np.random.default_rng(1).integers(max(len(clean), 1), size=(BOOTSTRAPS, len(clean)))

    def figures(of: Sequence[Tally]) -> list[float]:
        whole = added(of)
        good, false = whole.hit_all.get(TOOL, 0), whole.false.get(TOOL, 0)
        loud = f1(whole.hit_loud.get(TOOL, 0), whole.false_loud.get(TOOL, 0), whole.true_loud)
        return [good / max(whole.true_all, 1), good / max(good + false, 1), f1(good, false, whole.true_all), loud]

    def false_a_minute(of: Sequence[Tally]) -> float:
        whole = added(of)
        return whole.false.get(TOOL, 0) / max(whole.minutes, 1e-9)

    rows = np.array([figures([noisy[k] for k in own]) for own in drawn])
    found = {
        name: [value, *np.nanpercentile(rows[:, at], (2.5, 97.5)).tolist()]
        for at, (name, value) in enumerate(zip(("recall", "precision", "f1", "f1_loud"), figures(noisy), strict=True))
    }
    rates = [false_a_minute([clean[k] for k in own]) for own in quiet] if clean else [float("nan")]
    found["false_a_minute_clean"] = [false_a_minute(clean), *np.nanpercentile(rates, (2.5, 97.5)).tolist()]
    return found


def printed(found: dict[str, Any]) -> str:
    """Return the report as Markdown."""
    lines = [
        "| finder | F1, 25 dB over the floor | the same, false ones of all levels | F1, all levels | "
        "false a minute of clean playing |",
        "|---|---|---|---|---|",
    ]
    for name, row in found["table"].items():
        lines.append(
            f"| {name} | {row['f1_loud']:.3f} | {row['f1_loud_all_false']:.3f} | "
            f"{row['f1_all']:.3f} ± {row['f1_all_error']:.3f} | "
            f"{row['false_a_minute_clean']:.2f} |"
        )
    (noisy, clean), clicks = found["minutes"], found["click_minutes"]
    lines += [
        "",
        f"{found['events']} exposed events, {found['events_loud']} of them 25 dB or more over the floor, in "
        f"{found['sessions'][0]} sessions of {noisy:.0f} minutes; {found['sessions'][1]} clean sessions "
        f"of {clean:.0f} minutes. Baselines: threshold best in hindsight.",
        "",
        *(f"{name}: {value:.3f} ({low:.3f} to {high:.3f})" for name, (value, low, high) in found["tool"].items()),
        "",
        f"Nearest microphone right on {found['nearest_right']:.1%} of {found['nearest']}, it or the second guess on "
        f"{found['nearest_or_second']:.1%}. Kind right on {found['kind_right']:.0%}; where one is told "
        f"({found['kind_told']:.0%}), on {found['kind_told_right']:.0%}. Masked controls flagged: "
        f"{found['masked_flagged']:.1%} of {found['masked']}.",
        "Found, by source of the clip: "
        + ", ".join(f"{name} {share:.0%} of {count}" for name, (share, count) in found["recall_by_source"].items()),
        f"In clean playing at a doubt of 0.5: {found['doubted_a_minute']:.2f} false a minute.",
        f"Clicks 20 dB over the residual: {found['clicks_found']:.2%} of {found['clicks']}, at "
        f"{found['false_clicks_a_minute']:.2f} false a minute in {clicks:.0f} minutes of tracks.",
    ]
    return "\n".join(lines)

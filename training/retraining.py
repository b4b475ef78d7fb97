"""Retraining: learns from every verdict in the store and reports whether the new model is better.

Verdicts → examples (verdict_examples.py) → a candidate chosen and calibrated on sessions held out (selection.py,
candidates.py) → compared with the model in use and with the shipped doubt (model_comparison.py) → kept as a version
in the store, tracked with MLflow, put to use if the rule of configs/retraining.toml or the user decides so.
"""

import hashlib
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Engine

from training.agreement_report import agreement_of
from training.candidates import learn
from training.curves import calibration_page, curve_page
from training.model_comparison import Compared, FitContext, compare
from training.selection import Chosen, RetrainingConfig, better, build, leaks
from training.tracking import Run, folder_beside, tracked
from training.verdict_examples import VerdictExamples, examples_of_session
from triage import __version__
from triage.analysis.encoding import encoder_in_use
from triage.cli.models import agreement_text
from triage.cli.output import counted, notify, table_text
from triage.domain.errors import JudgeError
from triage.judge.doubt import DoubtModel, load_model
from triage.judge.learned_doubt import LearnedDoubt, to_bytes
from triage.ranking.model_in_use import base_in_use
from triage.ranking.session import features_of_session, judge_all_sessions_again
from triage.store.engine import reading, writing
from triage.store.models import StoredModel, add_model, models, use_model
from triage.store.standing import GivenVerdict, comparable_verdicts, standing_verdicts
from triage.store.takes import sessions

EXPERIMENT = "take-triage verdicts"
REGISTERED = "take-triage-doubt"
MOST_CONTRADICTIONS = 50  # contradictions that a card lists
MEASURES = ("auroc", "average_precision", "work_saved", "brier")


@dataclass(frozen=True)
class TrainingData:
    """All sessions with verdicts: their examples, and the verdicts themselves by session."""

    examples: list[VerdictExamples]
    verdicts: dict[str, tuple[GivenVerdict, ...]]
    earlier: list[VerdictExamples]  # labelled by the verdicts that the model in use was trained on
    given: int = 0  # verdicts that stand


def retrained(engine: Engine, config: RetrainingConfig, by: str, use: bool | None = None) -> dict[str, Any]:
    """Train, compare, keep and track one model; return its card."""
    prior, encoder = load_model(), encoder_in_use().name
    data = training_data(engine)
    count = sum(len(one.labels) for one in data.examples)
    if not count:
        raise JudgeError("no verdict to learn from yet: give some at the desk or with `triage verdict`")
    with reading(engine) as db:
        in_use = base_in_use(db)  # a taste on top of it stays on top of what is made here
        form = next((m.card["form"] for m in models(db) if m.version == in_use), None)
    _check_no_leak(data, prior, config, encoder)
    notify(f"learning from {count} verdicts on {len(data.examples)} sessions")
    compared = compare(data.examples, data.earlier, form, FitContext(prior, config, encoder))
    chosen = build(data.examples, prior, config, encoder)
    made_at = datetime.now(UTC)
    version = f"verdicts-{made_at:%Y%m%d-%H%M%S}-{data_hash(data)[:6]}"
    model = replace(chosen.model, version=version)
    put_to_use = better(compared.against_in_use, config.rule) if use is None else use
    card = card_of(version, data, chosen, compared, config, in_use, put_to_use)
    with tracked(EXPERIMENT, version, folder_beside(engine.url)) as run:
        _track(run, card, model, compared, data)
    card["run"], card["problems"] = run.run_id, run.problems
    file = to_bytes(model)
    stored = StoredModel(version, made_at, by, encoder, hashlib.sha256(file).hexdigest(), card)
    with writing(engine) as db:
        add_model(db, stored, file)
        if put_to_use:
            use_model(db, version, made_at, by)
    if put_to_use:
        rank_everything(engine)
    for line in run.problems:
        notify(line)
    return card


def training_data(engine: Engine) -> TrainingData:
    """Return the examples of every session with a verdict."""
    with reading(engine) as db:
        in_use = base_in_use(db)
        since = next((m.made_at for m in models(db) if m.version == in_use), None)
        all_sessions = sessions(db)
    examples, verdicts, earlier, given = [], {}, [], 0
    for session in all_sessions:
        with reading(engine) as db:
            own, verdicts[session.name] = standing_verdicts(db, session.id), comparable_verdicts(db, session.id)
        if not own:
            continue
        given += len(own)
        labelled = examples_of_session(session.name, features_of_session(engine, session), own)
        examples.append(labelled)
        if since is not None:
            earlier.append(labelled.with_verdicts([one for one in own if one.at <= since]))
    return TrainingData(same_dimension(examples), verdicts, same_dimension(earlier), given)


def same_dimension(examples: Sequence[VerdictExamples]) -> list[VerdictExamples]:
    """Return the examples with vectors of one length, zeros where nothing was embedded."""
    longest = max((one.relative.shape[1] for one in examples), default=0) or 1
    blank = [np.zeros((len(one.relative), longest)) for one in examples]
    return [
        replace(one, relative=one.relative if one.relative.shape[1] == longest else zeros)
        for one, zeros in zip(examples, blank, strict=True)
    ]


def card_of(
    version: str,
    data: TrainingData,
    chosen: Chosen,
    compared: Compared,
    config: RetrainingConfig,
    in_use: str,
    put_to_use: bool,
) -> dict[str, Any]:
    """Return what is kept of a training beside the model: data, config, scores, and whether it was put to use."""
    mean = {
        name: {m: float(np.mean([row[m] for row in rows])) for m in MEASURES} if rows else None
        for name, rows in compared.scores.items()
    }
    labels = [label for one in data.examples for label in one.labels]
    return {
        "version": version,
        "tool": __version__,
        "form": chosen.form,
        "sessions": [one.session for one in data.examples],
        "words": len(labels),
        "rejects": sum(label.rejected >= 0.5 for label in labels),
        "people": sorted({one.by for own in data.verdicts.values() for one in own}),
        "data": data_hash(data),
        "held_out_log_loss": chosen.losses,
        "calibration": {"slope": chosen.model.slope, "level": chosen.model.level},
        "scores": mean,
        "against_in_use": compared.against_in_use._asdict() | {"in_use": in_use},
        "against_shipped": compared.against_shipped._asdict(),
        "agreement": agreement_of(data.verdicts),
        "contradictions": [vars(one) for one in compared.contradictions[:MOST_CONTRADICTIONS]],
        "put_to_use": put_to_use,
        "config": config.model_dump(mode="json"),
    }


def data_hash(data: TrainingData) -> str:
    """Return a digest of every verdict that was learnt from, in order."""
    lines = [
        f"{session}\t{one.take}\t{one.note}\t{one.verdict}\t{one.reason}\t{one.by}\t{one.at.isoformat()}"
        for session, own in sorted(data.verdicts.items())
        for one in own
    ]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def rank_everything(engine: Engine) -> None:
    """Judge every session again with the model now in use; no audio is read."""
    for done, name in enumerate(judge_all_sessions_again(engine), start=1):
        notify(f"judged session {done}, {name}")


def printed(card: dict[str, Any]) -> str:
    """Return the report for a person."""
    rows = [
        (name, *(f"{scores[m]:.3f}" for m in MEASURES)) if scores else (name, *("-" for _ in MEASURES))
        for name, scores in card["scores"].items()
    ]
    found = card["against_in_use"]
    text = table_text(
        f"{card['version']}: {card['form']}, trained on {counted(card['words'], 'verdict')} "
        f"on {counted(len(card['sessions']), 'session')}",
        ("held-out sessions", *(f">{m.replace('_', ' ')}" for m in MEASURES)),
        rows,
    )
    if found["sessions"]:
        text += (
            f"{card['config']['rule']['measure'].replace('_', ' ')} against {found['in_use']}: {found['mean']:+.3f}, "
            f"{found['low']:+.3f} to {found['high']:+.3f} over {counted(found['sessions'], 'session')}\n"
        )
    else:
        text += "too few sessions with accepts and rejects to compare: no comparison is possible yet\n"
    outcome = (
        "put to use"
        if card["put_to_use"]
        else (
            f"not put to use: not better beyond chance; `triage models --use {card['version']}` does it all the same"
        )
    )
    return text + outcome + "\n" + agreement_text(card)


def _check_no_leak(data: TrainingData, prior: DoubtModel, config: RetrainingConfig, encoder: str) -> None:
    """Refuse to go on if anything of held-out sessions reaches a model: its numbers would be worth nothing."""
    if len(data.examples) < 2:
        return

    def fitted(all_of_them: Sequence[VerdictExamples], inside: Sequence[int]) -> LearnedDoubt:
        return learn("linear", prior, [all_of_them[i] for i in inside], config.fit, encoder)

    if leaks(fitted, data.examples, [len(data.examples) - 1]):
        raise JudgeError("what is held out reached the training: this is an error in the tool, nothing was changed")


def _track(run: Run, card: dict[str, Any], model: LearnedDoubt, compared: Compared, data: TrainingData) -> None:
    run.settings(card["config"] | {name: card[name] for name in ("data", "form", "words", "rejects", "tool")})
    for name, scores in card["scores"].items():
        run.numbers({f"{name.replace(' ', '_')}/{m}": value for m, value in (scores or {}).items()})
    run.numbers({f"held_out_log_loss/{form}": loss for form, loss in card["held_out_log_loss"].items()})
    for name, rows in compared.scores.items():
        for step, row in enumerate(rows):
            run.numbers({f"session/{name.replace(' ', '_')}": row["auroc"]}, step)
    run.text("calibration.html", calibration_page(compared.held_out))
    run.text("sessions.html", curve_page(compared.scores))
    run.text("card.json", json.dumps(card, indent=1))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "model.skops"
        path.write_bytes(to_bytes(model))
        run.file(path)
    note = f"{card['version']}, {card['words']} verdicts; `triage models` says which version is in use"
    run.register(REGISTERED, "model.skops", note)

"""The command `triage models`: which versions there are, what they were trained on, how good, which is in use."""

from datetime import UTC, datetime
from typing import Annotated, Any

import typer

from triage.cli.options import ByOption, FormOption, StoreOption, login_name, opened_store
from triage.cli.output import Form, counted, csv_text, json_text, notify, progress_bar, put, table_text
from triage.store.engine import reading, writing
from triage.store.models import SHIPPED, ModelUse, StoredModel, models, takes_by_model, use_model, uses

MOST_CONTRADICTIONS = 10  # verdicts worth re-checking that are printed; --format json has them all
SCORES = ("auroc", "average_precision", "work_saved")


def show_models(
    use: Annotated[
        str | None, typer.Option(metavar="VERSION", help="Put this version to use, or go back to 'shipped'")
    ] = None,
    by: ByOption = None,
    form: FormOption = Form.table,
    store: StoreOption = None,
) -> None:
    """Show the models. Every version with what it was trained on and how good it is; or change the one in use."""
    with opened_store(store) as engine:
        if use is not None:
            from triage.ranking.model_in_use import load_version
            from triage.ranking.session import judge_all_sessions_again

            judged_again = 0
            with writing(engine) as db:
                if use != SHIPPED:
                    load_version(db, use)  # what cannot judge is not put to use
                use_model(db, None if use == SHIPPED else use, datetime.now(UTC), by or login_name())
            with progress_bar() as progress:
                for judged_again, name in enumerate(judge_all_sessions_again(engine), start=1):
                    progress(f"judged {name}", judged_again, 0)
            notify(f"{use} is in use; {counted(judged_again, 'session')} judged again")
        with reading(engine) as db:
            kept, changes, judged = models(db), uses(db), takes_by_model(db)
    put(models_text(form, kept, changes, judged))


def models_text(
    form: Form, kept: tuple[StoredModel, ...], changes: tuple[ModelUse, ...], judged: dict[str | None, int]
) -> str:
    """Return the versions, the newest first; the shipped doubt last."""
    in_use = (changes[0].version if changes else None) or SHIPPED
    if form is Form.json:
        counts = {name or "nothing": count for name, count in judged.items()}
        listed, used = [_whole(one, in_use) for one in kept], [_change(one) for one in changes]
        return json_text({"in_use": in_use, "models": listed, "changes": used, "judged": counts})
    rows = [_row(one, in_use, judged) for one in kept]
    by_shipped = sum(judged.values()) - judged.get(None, 0) - sum(judged.get(one.version, 0) for one in kept)
    rows.append([_mark(SHIPPED, in_use), "", "", "before any verdict", 0, 0, *("" for _ in SCORES), by_shipped])
    if form is Form.csv:
        header = ["version", "in_use", "made", "by", "form", "verdicts", "sessions", *SCORES, "takes_judged"]
        versions = [*(one.version for one in kept), SHIPPED]
        states = ([one, "yes" if one == in_use else "no"] for one in versions)
        return csv_text(header, ([*state, *row[1:]] for state, row in zip(states, rows, strict=True)))
    # A version says when it was made; it is not broken over lines, for --use.
    short = [(version.replace(" (", "\n("), by, *rest) for version, _, by, _, *rest in rows]
    scores = (f">{name.replace('_', chr(10))}" for name in SCORES)
    columns = ("|version", "by", ">verdicts", ">sessions", *scores, ">takes\njudged")
    return table_text(f"{in_use} is in use", columns, short) + (agreement_text(kept[0].card) if kept else "")


def agreement_text(card: dict[str, Any]) -> str:
    """Return how far people agree, and the verdicts worth re-checking, as the training of a version found."""
    lines = []
    for row in card.get("agreement", []):
        first, second = row["people"]
        who = f"{first} with himself or herself, unannounced" if first == second else f"{first} and {second}"
        if row["kappa"] is None:
            lines.append(f"{who}: {counted(row['n'], 'take')} heard by both, too alike or too few for a kappa")
        else:
            lines.append(
                f"{who}: kappa {row['kappa']:.2f} ({row['low']:.2f} to {row['high']:.2f}), the same verdict on "
                f"{row['agreed']:.0%} of {counted(row['n'], 'take')}"
            )
    again = card.get("contradictions", [])
    if again:
        lines.append(f"{counted(len(again), 'verdict')} worth re-checking, against all the others:")
    for one in again[:MOST_CONTRADICTIONS]:
        note = f" note {one['note']}" if one["note"] else ""
        lines.append(
            f"  {one['session']} {one['take']}{note}: {one['said']}, while the others say "
            f"{one['probability']:.0%} reject"
        )
    return "".join(f"{line}\n" for line in lines)


def _row(one: StoredModel, in_use: str, judged: dict[str | None, int]) -> list[Any]:
    card, made = one.card, one.made_at.strftime("%Y-%m-%d %H:%M")
    about = [_mark(one.version, in_use), made, one.made_by, card["form"], card["words"], len(card["sessions"])]
    return [*about, *_scores(one), judged.get(one.version, 0)]


def _mark(version: str, in_use: str) -> str:
    return f"{version} (in use)" if version == in_use else version


def _scores(one: StoredModel) -> tuple[str, ...]:
    found = (one.card.get("scores") or {}).get("new")
    return tuple(f"{found[name]:.3f}" if found else "-" for name in SCORES)


def _whole(one: StoredModel, in_use: str) -> dict[str, Any]:
    return {
        "version": one.version,
        "made_at": one.made_at.isoformat(),
        "made_by": one.made_by,
        "encoder": one.encoder,
        "sha256": one.sha256,
        "in_use": one.version == in_use,
        "card": one.card,
    }


def _change(one: ModelUse) -> dict[str, Any]:
    return {"version": one.version or SHIPPED, "at": one.at.isoformat(), "by": one.by}

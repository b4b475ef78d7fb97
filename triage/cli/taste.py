"""The command `triage taste`: the tolerances in use, in words; set one by hand, or start from the house's."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from triage.cli.options import ByOption, FormOption, StoreOption, login_name, opened_store
from triage.cli.output import Form, csv_text, json_text, notify, put, table_text
from triage.domain.errors import JudgeError

if TYPE_CHECKING:
    from triage.judge.taste import Taste


def show_taste(
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="KIND=SIZE", help="Set a tolerance by hand and lock it")
    ] = None,
    unlock: Annotated[
        list[str] | None, typer.Option(metavar="KIND", help="Give a tolerance back to what is learnt")
    ] = None,
    start: Annotated[
        Path | None, typer.Option("--from", metavar="FILE", help="Start from another library's: its --format json")
    ] = None,
    of: Annotated[str | None, typer.Option(metavar="NAME", help="Use what was learnt of one person alone")] = None,
    by: ByOption = None,
    form: FormOption = Form.table,
    store: StoreOption = None,
) -> None:
    """Show the tolerances in use. How far off each kind of fault may be, learnt from verdicts or set by hand."""
    from triage.ranking.tastes import keep_taste, set_tolerance, taste_in_use, use_taste_of
    from triage.store.engine import reading
    from triage.store.models import models, version_in_use

    changes = [*map(_change, set_ or []), *((_kind(one), None) for one in unlock or [])]
    with opened_store(store) as engine:
        if start is not None:
            name = keep_taste(engine, _read(start), by or login_name(), {"from": start.name}, use=True)
            notify(f"{name} is in use: the tolerances of {start}")
        if of is not None:
            notify(f"{use_taste_of(engine, of, by or login_name())} is in use: the tolerances of {of}")
        for kind, log_tolerance in changes:
            name = set_tolerance(engine, kind, log_tolerance, by or login_name())
            notify(f"{name} is in use: {kind} {'is learnt again' if log_tolerance is None else 'is locked'}")
        with reading(engine) as db:
            taste, version = taste_in_use(db), version_in_use(db)
            sure = next((one.card.get("sure") for one in models(db) if one.version == version), None)
    put(taste_text(taste, form, sure))


def taste_text(taste: "Taste", form: Form, sure: dict[str, float] | None = None) -> str:
    """Return the tolerances: a row for each kind beside the house's, then what is particular, in words.

    ``sure`` holds how sure each is: what cannot be told from the house's is left out of the words.
    """
    from triage.judge.taste_words import KINDS, SCALES, sentences, tolerance_text
    from triage.judge.tasted_doubt import as_json

    rows = []
    for kind in KINDS:
        own = taste.locked.get(kind, taste.kind.get(kind, 0.0))
        how = "set by hand" if kind in taste.locked else "learnt" if kind in taste.kind else "the house's"
        unit = SCALES[kind].unit if kind in SCALES else "times the house's"
        size = SCALES[kind].size(own) if kind in SCALES else 2.718281828459045**own
        rows.append([kind, round(size, 3), unit, tolerance_text(kind, own), tolerance_text(kind, 0.0), how])
    if form is Form.json:
        names = ("kind", "size", "unit", "text", "house", "from")
        listed: list[dict[str, Any]] = [dict(zip(names, row, strict=True)) for row in rows]
        return json_text({"tolerances": listed, "sentences": sentences(taste, sure), "taste": as_json(taste)})
    if form is Form.csv:
        return csv_text(["kind", "size", "unit", "text", "house", "from"], rows)
    shown = [(kind, text, house, how) for kind, _, _, text, house, how in rows]
    said = "".join(f"{line}\n" for line in sentences(taste, sure))
    return table_text("tolerances in use", ("kind", "you reject from", "the house", "from"), shown) + said


def _change(text: str) -> tuple[str, float]:
    from triage.judge.taste_words import log_tolerance_of

    kind, _, value = text.partition("=")
    try:
        return _kind(kind), log_tolerance_of(_kind(kind), float(value))
    except ValueError:
        raise JudgeError(f"--set {text!r}: give a kind and a size, such as --set intonation=18") from None


def _kind(name: str) -> str:
    from triage.judge.taste_words import KINDS

    if name not in KINDS:
        raise JudgeError(f"no tolerance of {name!r}; there are {', '.join(KINDS)}")
    return name


def _read(path: Path) -> "Taste":
    import json

    from triage.judge.tasted_doubt import from_json

    try:
        return from_json(json.loads(path.read_text(encoding="utf-8"))["taste"])
    except OSError as error:
        raise JudgeError(f"{path}: {error.strerror}; write one with `triage taste --format json`") from None
    except (ValueError, KeyError, TypeError) as error:
        line = " ".join(str(error).split())[:120]
        raise JudgeError(f"{path}: no tolerances ({line}); write one with `triage taste --format json`") from None

"""The models' page: which model and encoder judge, what else there is, and the producer's retraining.

Retraining and going back are commands of this tool, started as jobs; the page shows what they say.
"""

import json
from collections import Counter
from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from triage.config import shipped
from triage.desk.access import AtDesk, Db, Me, change, desk_of
from triage.desk.background_jobs import BackgroundJobs, Command, is_installed
from triage.desk.pages import in_navigation, show
from triage.desk.sheet_views import FORM
from triage.domain.errors import ConfigError
from triage.ranking.shown_tolerances import learnt_in_words, tolerances
from triage.store.models import SHIPPED, ids_of, models, uses, verdicts_not_learnt, version_in_use
from triage.store.progress import progress
from triage.store.takes import sessions

router = APIRouter(include_in_schema=False)
MOST_CONTRADICTIONS = 20  # verdicts worth re-checking that are listed
LEARN_AFTER = 50  # verdicts that no version has seen
Producer = Annotated[AtDesk, Depends(change("retrain"))]
in_navigation(10, "/models", "Taste")


def jobs_of(request: Request) -> BackgroundJobs:
    """Return the desk's background jobs."""
    return desk_of(request).background


@router.get("/models")
def models_page(request: Request, me: Me, db: Db) -> HTMLResponse:
    """Show the models, the one in use first."""
    versions = models(db)
    return show(
        request,
        "models.html",
        me,
        in_use=version_in_use(db) or SHIPPED,
        shipped_name=SHIPPED,
        models=versions,
        again=to_hear_again(db, versions[0].card) if versions else [],
        agreement=told(versions[0].card.get("agreement", [])) if versions else [],
        tolerances=tolerances(db, versions),
        learnt=learnt_in_words(versions, version_in_use(db) or SHIPPED),
        judged=judged_by(db),
        uses=uses(db),
        sessions=sessions(db),
        doubt=card("doubt"),
        encoder=card("encoder"),
        retrains=is_installed("retrain"),
    )


@router.get("/api/models/job")
def job(request: Request, me: Me) -> dict[str, Any]:
    """Return the job that runs, or the last one that did."""
    return job_shown(jobs_of(request).command)


@router.post("/api/models/retrain")
def retrain(request: Request, me: Producer) -> dict[str, Any]:
    """Start retraining on the verdicts of this store."""
    if not is_installed("retrain"):
        raise ConfigError("`triage retrain` is not part of this installation; install the package that brings it")
    return job_shown(jobs_of(request).run(["retrain", f"--by={me.name}"], me.name))


@router.post("/api/models/use")
def use(request: Request, me: Producer, version: Annotated[str, Body(embed=True, max_length=200)]) -> dict[str, Any]:
    """Put a version to use, or go back to the shipped doubt; takes are then ranked anew."""
    return job_shown(jobs_of(request).run(["models", f"--use={version}", f"--by={me.name}"], me.name))


@router.post("/api/models/tolerance")
def set_tolerance(
    request: Request,
    me: Producer,
    kind: Annotated[str, Body(max_length=40)],
    size: Annotated[float | None, Body()] = None,
) -> dict[str, Any]:
    """Set a tolerance by hand, in its unit, and lock it; without a size it is learnt again."""
    change_ = f"--unlock={kind}" if size is None else f"--set={kind}={size!r}"
    return job_shown(jobs_of(request).run(["taste", change_, f"--by={me.name}"], me.name))


def told(agreement: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the pairs of people whose agreement can be told."""
    return [one for one in agreement if one["kappa"] is not None]


def learn_at_times(request: Request, db: Connection) -> None:
    """Start learning from the verdicts once enough are new; while a command runs, it waits for the next verdict."""
    jobs, command = jobs_of(request), ["retrain", "--by=the desk"]
    if (jobs.command and jobs.command.status is None) or not is_installed("retrain"):
        return
    if verdicts_not_learnt(db) >= LEARN_AFTER:
        jobs.run(command, "the desk")


def judged_by(db: Connection) -> Counter[str]:
    """Return how many takes each model judged last."""
    return sum((Counter(one.models) for one in progress(db, FORM)), Counter[str]())


def to_hear_again(db: Connection, made: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the verdicts that contradict the others by the newest training, each with where to hear its take."""
    verdicts = made.get("contradictions", [])[:MOST_CONTRADICTIONS]
    ids = ids_of(db, [(one["session"], one["take"]) for one in verdicts])
    found = []
    for verdict in verdicts:
        session_id, take_id = ids.get((verdict["session"], verdict["take"]), (0, None))
        found.append(verdict | {"session_id": session_id, "take_id": take_id})
    return found


def job_shown(one: Command | None) -> dict[str, Any]:
    """Return what the page shows of a job."""
    if one is None:
        return {"state": "none", "lines": []}
    about = {"state": one.state, "what": one.what, "by": one.by, "started_at": one.started_at}
    return about | {"lines": list(one.lines)}


@cache
def card(name: str) -> dict[str, Any] | None:
    """Return the card that lies beside a shipped model, None where there is none."""
    try:
        found: dict[str, Any] = json.loads(shipped(f"models/{name}.json").read_text(encoding="utf-8"))
    except ConfigError:
        return None
    return found

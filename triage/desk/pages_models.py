"""The models' page: a producer's tolerances, what would change in the queue by them, and the versions there are.

Learning, using and going back are commands of this tool, started as jobs; the page shows what they say.
"""

import json
from collections import Counter
from dataclasses import asdict
from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, HTTPException, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from triage.config import shipped
from triage.desk.access import AtDesk, Db, Me, change, desk_of
from triage.desk.background_jobs import BackgroundJobs, Command, is_installed
from triage.desk.pages import in_navigation, show
from triage.desk.sheet_views import FORM
from triage.domain.errors import ConfigError
from triage.ranking.model_in_use import model_in_use
from triage.ranking.shown_tolerances import learnt_in_words, tastes_of_people, tolerances
from triage.ranking.taste_changes import changes, version_tried, with_taste
from triage.ranking.tastes import TASTE
from triage.store.models import (
    SHIPPED,
    ModelUse,
    StoredModel,
    ids_of,
    models,
    uses,
    verdicts_not_learnt,
    verdicts_that_stand,
    version_in_use,
)
from triage.store.progress import progress
from triage.store.takes import sessions

router = APIRouter(include_in_schema=False)
MOST_CONTRADICTIONS = 20  # verdicts worth re-checking that are listed
LEARN_AFTER = 50  # verdicts that no version has seen
OF_ONE = 20  # of a person, from which on their own tolerances are shown
Of = Annotated[str, Query(max_length=200)]
Producer = Annotated[AtDesk, Depends(change("retrain"))]
in_navigation(10, "/models", "Taste")


def jobs_of(request: Request) -> BackgroundJobs:
    """Return the desk's background jobs."""
    return desk_of(request).background


@router.get("/models")
def models_page(request: Request, me: Me, db: Db) -> HTMLResponse:
    """Show tolerances, what may be used, and the versions, the newest first."""
    versions, in_use, used = models(db), version_in_use(db) or SHIPPED, uses(db)
    given, mine = verdicts_that_stand(db, me.name)
    return show(
        request,
        "models.html",
        me,
        in_use=in_use,
        shipped_name=SHIPPED,
        models=versions,
        given=given,
        mine=mine,
        fewest={"own": OF_ONE, "all": LEARN_AFTER},
        choices=choices(versions, in_use, me.name),
        before=before(used, versions),
        again=to_hear_again(db, versions[0].card) if versions else [],
        agreement=told(versions[0].card.get("agreement", [])) if versions else [],
        tolerances=tolerances(db, versions, me.name),
        learnt=learnt_in_words(versions, in_use),
        judged=judged_by(db),
        uses=used,
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


@router.get("/api/models/changes")
def changes_shown(db: Db, me: Me, of: Of = "", version: Of = SHIPPED) -> dict[str, Any]:
    """Return what would change in the queue: with the tolerances of a person, else by a version."""
    if not of:
        later = version_tried(db, version)
    elif own := tastes_of_people(models(db)).get(of):
        later = with_taste(db, own["taste"])
    else:
        raise HTTPException(404, f"no tolerances of {of!r} were learnt yet")
    return asdict(changes(db, model_in_use(db), later))


@router.post("/api/models/use-own")
def use_own(request: Request, me: Producer, of: Annotated[str, Body(embed=True, max_length=200)]) -> dict[str, Any]:
    """Put the tolerances of one person to use."""
    return job_shown(jobs_of(request).run(["taste", f"--of={of}", f"--by={me.name}"], me.name))


def choices(versions: tuple[StoredModel, ...], in_use: str, me: str) -> list[dict[str, Any]]:
    """Return the tolerances that may be used instead: one's own, the newest of all, the house's, other people's."""
    found = []
    newest = next((one for one in versions if one.card.get("form") == TASTE and one.card.get("words")), None)
    people = tastes_of_people(versions)
    for name in sorted(people, key=lambda name: (name != me, name)):
        whose = "your own" if name == me else f"{name}'s"
        found.append({"of": name, "text": f"{whose}, from {people[name]['verdicts']} verdicts"})
    if newest is not None and newest.version != in_use:
        of_all = {"version": newest.version, "text": f"everybody's, from {newest.card['words']} verdicts"}
        found.insert(0 if me not in people else 1, of_all)
    if in_use != SHIPPED:
        found.append({"version": SHIPPED, "text": "the house's"})
    return found


def before(used: tuple[ModelUse, ...], versions: tuple[StoredModel, ...]) -> dict[str, str] | None:
    """Return the version that was in use before the one now, and its words; None where there was none."""
    if not used:
        return None
    version = (used[1].version if len(used) > 1 else None) or SHIPPED
    made = next((one.made_at for one in versions if one.version == version), None)
    return {"version": version, "text": f"those of {made:%d %B, %H:%M}" if made else "the house's"}


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

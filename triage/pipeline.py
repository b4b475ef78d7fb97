"""The processing of one session: files → what arrived → analysed takes → doubts → the store.

Read this file first. ``take_in`` is everything that `triage intake` does; each step is one call into a package.
`triage watch` (``watch.py``) does the same, one take after another.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Engine

from triage.analysis.remote_folder import at_hand
from triage.check_in import NOTHING, CheckedIn, Permitted, check_in
from triage.intake.arrivals import TakeFiles
from triage.ranking.up_to_date import is_up_to_date
from triage.store.arrivals import arrivals as stored_arrivals
from triage.store.arrivals import save_arrivals
from triage.store.engine import reading, writing
from triage.store.takes import drop_takes, save_take, take_ids

Progress = Callable[[str, int, int], None]  # what is being done, how many of it, out of how many


@dataclass(frozen=True)
class Summary:
    """What one intake did."""

    session: str
    takes: int
    new_takes: int  # analysed, or with a corrected row of the sheet
    problems: list[str]
    incomplete: bool  # files are missing or broken
    sheet_asks: bool  # the take sheet holds what a person has to put right

    @property
    def needs_person(self) -> bool:
        """Whether somebody has to see to it before all is done."""
        return self.incomplete or self.sheet_asks


def take_in(
    folder: Path | str,
    db_engine: Engine,
    progress: Progress | None = None,
    cluster: str | None = None,
    permitted: Permitted = NOTHING,
) -> Summary:
    """Take a session's folder in: check what arrived, analyse what is new, judge and rank all of it.

    The folder may be an address that fsspec can read; ``cluster`` is that of a cluster to analyse on, ``permitted``
    what somebody has said about a folder that is not as it was.
    """
    report = progress or (lambda what, done, total: None)
    with at_hand(folder) as where:
        report("checking the files", 0, 0)
        checked = check_in(where.folder, db_engine, address=where.address, permitted=permitted)
        analyse(checked, checked.new, db_engine, report, cluster)
    with writing(db_engine) as db:
        drop_takes(db, checked.id, [take.name for take in checked.arrived.takes])
    report("ranking", 0, 0)
    problems, ranked = ranked_before(checked, db_engine) or rank(checked, db_engine)
    report("ranking", 1, 1)
    incomplete = bool(checked.arrived.arrivals.of_kind("missing", "broken"))
    lines = [*checked.noticed, *problems]
    return Summary(
        checked.session.name, ranked, len(checked.new) + checked.corrected, lines, incomplete, checked.sheet_asks
    )


def analyse(
    checked: CheckedIn, takes: Sequence[TakeFiles], db_engine: Engine, report: Progress, cluster: str | None = None
) -> None:
    """Analyse takes and store each as soon as it is done."""
    if not takes:
        return  # what analyses them takes longer to load than the rest of an intake without news
    from triage.analysis.workers import analyse_all

    session = checked.session
    mic, a4_hz = session.reference_mic_name(), session.a4_hz
    for done, take in enumerate(analyse_all(takes, checked.folder, mic, a4_hz, checked.address, cluster), start=1):
        with writing(db_engine) as db:
            save_take(db, checked.id, take)
        report("listening", done, len(takes))


def ranked_before(checked: CheckedIn, db_engine: Engine) -> tuple[list[str], int] | None:
    """Return what ranking the session gave before, where it would give the same again; else None."""
    with reading(db_engine) as db:
        before, now = stored_arrivals(db, checked.id), checked.arrived.arrivals
        same = before.entries == now.entries and before.problems[: len(now.problems)] == now.problems
        if checked.new or not same or not is_up_to_date(db, checked.id):
            return None
        return list(before.problems), len(take_ids(db, checked.id))


def rank(checked: CheckedIn, db_engine: Engine) -> tuple[list[str], int]:
    """Rank a session and store what arrived of it; return messages for the user and the number of takes."""
    from triage.ranking.session import rank_session

    broken = {take.name: list(take.broken) for take in checked.arrived.takes if take.broken}
    ranked = rank_session(db_engine, checked.id, checked.session.a4_hz, broken=broken)
    arrivals = checked.arrived.arrivals
    own = [f"{take.name}: {take.problem}" for take in ranked.takes if take.problem]
    problems = [*arrivals.problems, *ranked.problems, *own]
    with writing(db_engine) as db:
        save_arrivals(db, checked.id, replace(arrivals, problems=tuple(problems)))
    return problems, len(ranked.takes)

"""Re-embedding: a whole library encoded again by a new encoder, without analysing all of it again.

An encoder sees only the frames of the microphone that a take was judged on, and the notes that were cut then: both
are as they were, so one track of a take is read and everything else stays. The vectors are those that a new intake
would find, to the last digit. Only takes whose files and sheet are as they were are done; the others are intake's.
Each take is stored as it is done, so that a run that was ended goes on where it was.

The work is one plain task a take (``cluster.py``): reading and transforming a track costs more than the encoder does,
so that a task asks for a small share of a GPU, where there is one, and several keep it busy.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import torch
from sqlalchemy import Connection, Engine

from triage.analysis.cluster import Lost, distribute
from triage.analysis.encoding import BESIDE, encode, encoder_in_use
from triage.analysis.file_pass import frames_of
from triage.analysis.fingerprint import fingerprint
from triage.analysis.remote_folder import at_hand, fetched
from triage.domain.errors import TriageError
from triage.intake.arrivals import TakeFiles, TrackFile, check_arrivals
from triage.intake.integrity import check_file
from triage.intake.session import read_session
from triage.intake.vocabulary import sheet_of
from triage.listen.embed import Encoder
from triage.listen.encoder import TrainedEncoder, load_encoder
from triage.listen.notes import NoteSegment
from triage.pipeline import Progress
from triage.ranking.session import rank_session
from triage.store.engine import reading, writing
from triage.store.notes import encoders, notes
from triage.store.stored import StoredSession
from triage.store.takes import find_session, fingerprints, takes
from triage.store.vectors import save_vectors

GPU_SHARE = 0.1  # of one card: reading a take's track takes ten times as long as the card does
Vectors = dict[int, dict[str, np.ndarray]]  # by note


@dataclass(frozen=True)
class EncodingJob:
    """One take to be encoded again: its measured track, its notes by number, where its file is."""

    take: TakeFiles
    track: TrackFile
    notes: tuple[tuple[int, NoteSegment], ...]
    folder: Path
    address: str | None = None


def reembed(
    db_engine: Engine, names: Sequence[str], progress: Progress, cluster: str | None = None
) -> Iterator[tuple[str, int, list[str]]]:
    """Encode sessions again with the encoder in use; yield name, takes done and messages for the user of each."""
    for name in names:
        with reading(db_engine) as db:
            session = find_session(db, name)
        try:
            yield name, *_session(db_engine, session, progress, cluster)
        except (TriageError, OSError) as error:
            yield name, 0, [f"left as it is: {error}"]


def looked_at(job: EncodingJob) -> Vectors | str:
    """Return the vectors of a take's notes, or why there are none."""
    torch.set_num_threads(1)
    try:
        if job.address is None:
            frames = frames_of(job.track, job.folder)
        else:
            with fetched(replace(job.take, tracks=(job.track,)), job.address) as (_, folder):
                frames = frames_of(job.track, folder)
        found = encode(_encoder(), frames, [note for _, note in job.notes])
    except Exception as error:  # one bad take never stops the run
        return f"{type(error).__name__}: {error}"
    return {number: vectors for (number, _), vectors in zip(job.notes, found, strict=True)}


def _session(
    db_engine: Engine, session: StoredSession, progress: Progress, cluster: str | None
) -> tuple[int, list[str]]:
    done, lines, encoder = 0, [], encoder_in_use()
    with at_hand(session.folder) as where:
        jobs = _jobs(db_engine, session, where.folder, where.address)
        for job, found in _all(jobs, cluster):
            if isinstance(found, dict):
                now = fingerprint(job.take, session.reference_mic or "", session.a4_hz, encoder.name)
                with writing(db_engine) as db:
                    save_vectors(db, session.id, job.take.name, found, now)
                done += 1
            else:
                lines.append(f"{job.take.name}: not looked at ({found})")
            progress(session.name, done + len(lines), len(jobs))
    if done:
        rank_session(db_engine, session.id, session.a4_hz)
    return done, lines


def _all(jobs: Sequence[EncodingJob], cluster: str | None) -> Iterator[tuple[EncodingJob, Vectors | str | Lost]]:
    if cluster is None:
        yield from ((job, looked_at(job)) for job in jobs)
    elif jobs:
        yield from distribute(looked_at, jobs, cluster, GPU_SHARE)


def _jobs(db_engine: Engine, session: StoredSession, folder: Path, address: str | None) -> list[EncodingJob]:
    """Return the takes of a session of which nothing changed but the encoder."""
    described = read_session(folder)
    arrived = check_arrivals(folder, described, sheet_of(folder, described), check_file)
    mic, a4_hz = described.reference_mic_name(), described.a4_hz
    with reading(db_engine) as db:
        known, cut, judged_on = fingerprints(db, session.id), _notes(db, session.id), _measured_mics(db, session.id)
        before = [name for name in encoders(db, session.id) if not name.endswith(BESIDE)]
    jobs = []
    for take in arrived.takes:
        stored = known.get(take.name)
        tracks = [track for track in take.tracks if track.mic == judged_on.get(take.name)]
        same = any(stored == fingerprint(take, mic, a4_hz, old) for old in before)
        if stored and tracks and same and stored != fingerprint(take, mic, a4_hz):
            jobs.append(EncodingJob(take, tracks[0], tuple(cut.get(take.name, ())), folder.resolve(), address))
    return jobs


def _notes(db: Connection, session_id: int) -> dict[str, list[tuple[int, NoteSegment]]]:
    found: dict[str, list[tuple[int, NoteSegment]]] = {}
    for one in notes(db, session_id):
        ring_s = one.end_s if one.ring_end_s is None else one.ring_end_s
        found.setdefault(one.take, []).append((one.number, NoteSegment(one.start_s, one.end_s, ring_s, 0.0)))
    return found


def _measured_mics(db: Connection, session_id: int) -> dict[str, str | None]:
    return {take.name: take.measured_mic for take in takes(db, session_id)}


@cache
def _encoder() -> Encoder:
    """Return the encoder in use, on a GPU where this worker was given one; loaded once a process."""
    found = encoder_in_use()
    if isinstance(found, TrainedEncoder) and torch.cuda.is_available():
        return load_encoder(device="cuda")
    return found

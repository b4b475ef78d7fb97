"""Which model is in use: the version in use of the store, or the shipped doubt. Wiring between store and judge."""

from sqlalchemy import Connection

from triage.analysis.encoding import encoder_in_use
from triage.domain.errors import JudgeError
from triage.judge import tasted_doubt
from triage.judge.doubt import DoubtModel, load_model
from triage.judge.learned_doubt import LearnedDoubt, from_bytes
from triage.judge.tasted_doubt import TastedDoubt
from triage.store.models import SHIPPED, model_file, version_in_use

Model = DoubtModel | LearnedDoubt | TastedDoubt


def model_in_use(db: Connection) -> Model:
    """Return the model that judges this store's takes.

    Raises
    ------
    JudgeError
        If the version in use was made for another encoder than the one at hand, or its file is not a model.
    StoreError
        If the file was changed since it was made.
    """
    version = version_in_use(db)
    return load_model() if version is None else load_version(db, version)


def load_version(db: Connection, version: str) -> LearnedDoubt | TastedDoubt:
    """Return one version of the store, ready to judge."""
    data = model_file(db, version)
    if tasted_doubt.is_taste(data):
        taste, base = tasted_doubt.from_bytes(data, f"model {version}")
        return TastedDoubt(version, base_doubt(db, base), taste)
    return _learned(data, version)


def base_doubt(db: Connection, name: str) -> DoubtModel | LearnedDoubt:
    """Return a doubt that a taste builds on: the shipped one, or a version that is none of taste."""
    return load_model() if name == SHIPPED else _learned(model_file(db, name), name)


def base_in_use(db: Connection) -> str:
    """Return the name of the doubt in use, or of the one that the taste in use builds on."""
    version = version_in_use(db)
    if version is None or not tasted_doubt.is_taste(data := model_file(db, version)):
        return version or SHIPPED
    return tasted_doubt.from_bytes(data, f"model {version}")[1]


def _learned(data: bytes, version: str) -> LearnedDoubt:
    model = from_bytes(data, f"model {version}")
    encoder = encoder_in_use().name
    if model.encoder != encoder:
        raise JudgeError(
            f"model {version} was trained for encoder {model.encoder}, this tool has {encoder}; train again with "
            "`triage retrain`, or go back with `triage models --use shipped`"
        )
    return model

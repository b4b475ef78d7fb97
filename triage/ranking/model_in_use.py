"""Which model is in use: the version in use of the store, or the shipped doubt. Wiring between store and judge."""

from sqlalchemy import Connection

from triage.analysis.encoding import encoder_in_use
from triage.domain.errors import JudgeError
from triage.judge.doubt import DoubtModel, load_model
from triage.judge.learned_doubt import LearnedDoubt, from_bytes
from triage.store.models import model_file, version_in_use

Model = DoubtModel | LearnedDoubt


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


def load_version(db: Connection, version: str) -> LearnedDoubt:
    """Return one version of the store, ready to judge."""
    model = from_bytes(model_file(db, version), f"model {version}")
    encoder = encoder_in_use().name
    if model.encoder != encoder:
        raise JudgeError(
            f"model {version} was trained for encoder {model.encoder}, this tool has {encoder}; train again with "
            "`triage retrain`, or go back with `triage models --use shipped`"
        )
    return model

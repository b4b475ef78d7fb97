"""The few kinds of error that a person can act on.

TriageError
├── ConfigError   session.toml, settings, names by pattern
├── SheetError    the take sheet
├── AudioError    a file or an array that is not what it should be
├── StoreError    the database
└── JudgeError    tables of measurements, model files

Each message is one line: what was found, where, what was expected, what to do. The command line prints it
as ``error: ...`` and leaves with status 1; any other exception is a bug and keeps its traceback.
"""


class TriageError(Exception):
    """Anything a person can put right."""


class ConfigError(TriageError):
    """A setting or a session description that cannot be used."""


class SheetError(TriageError):
    """A take sheet that cannot be used."""


class AudioError(TriageError):
    """Audio that cannot be read or is not what a function asks for."""


class StoreError(TriageError):
    """A database that cannot be used as it is."""


class JudgeError(TriageError):
    """Numbers or a model file that the judge cannot use."""

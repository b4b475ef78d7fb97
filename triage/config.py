"""Settings: where files of the tool are and how a TOML table becomes a checked, frozen object."""

import sysconfig
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from triage.domain.errors import ConfigError

MOST_TOML_BYTES = 1_000_000


class Strict(BaseModel):
    """Base of every settings table: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


Settings = TypeVar("Settings", bound=Strict)


def read_toml(path: Path, model: type[Settings]) -> Settings:
    """Read one TOML file into ``model``; a mistake is one line that names the file, the key and the remedy."""
    try:
        if path.stat().st_size > MOST_TOML_BYTES:
            raise ConfigError(f"{path}: {path.stat().st_size} bytes, far too many for settings; is it another file?")
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ConfigError(f"{path}: not found; `triage new {path.parent}` writes one to fill in") from None
    # Not UTF-8, not the grammar, a number of thousands of digits, tables within tables without end.
    except (OSError, ValueError, RecursionError) as error:
        raise ConfigError(f"{path}: not readable as TOML ({' '.join(str(error).split())[:200]})") from None
    try:
        return model.model_validate(table)
    except ValidationError as error:
        raise ConfigError(f"{path}: {_first_slip(error)}") from None


def _first_slip(error: ValidationError) -> str:
    mistake = error.errors()[0]
    key = ".".join(str(part) for part in mistake["loc"])
    if mistake["type"] == "extra_forbidden":
        return f"unknown key {key[:200]!r}; remove it or correct its spelling"
    if mistake["type"] == "missing":
        return f"key {key!r} is missing; add it"
    return f"{key[:200]} = {repr(mistake['input'])[:200]}: {what_is_wrong(mistake)[:500]}"


# The beginning of a kind of mistake, as pydantic names it -> what is wrong, with the limits that its ctx holds.
WRONG = {
    "int_": "must be a whole number",
    "float_": "must be a number",
    "finite_number": "must be a number that is not infinite",
    "bool_": "must be true or false",
    "string_too_long": "must have at most {max_length} characters",
    "string_too_short": "must have at least {min_length} characters",
    "string_pattern": "is not of the form that is expected here",
    "string_": "must be text, in quotes",
    "date_": "must be a date, as 2026-03-14",
    "time_": "must be a time, as 14:30",
    "literal_error": "must be one of {expected}",
    "enum": "must be one of {expected}",
    "greater_than_equal": "must be {ge} or more",
    "greater_than": "must be more than {gt}",
    "less_than_equal": "must be {le} or less",
    "less_than": "must be less than {lt}",
    "missing": "is missing",
    "too_short": "must have at least {min_length} entries",
    "too_long": "must have at most {max_length} entries",
    "list_": "must be a list",
    "tuple_": "must be a list",
    "dict_": "must be a table",
    "model_": "must be a table",
    "json_": "is not JSON",
    "extra_forbidden": "is not known",
}


def what_is_wrong(mistake: Mapping[str, Any]) -> str:
    """Return what is wrong with a value, of one of a ValidationError's errors, in words without a library's terms."""
    found = next((text for kind, text in WRONG.items() if mistake["type"].startswith(kind)), None)
    if found is not None:
        return found.format(**mistake.get("ctx", {}))
    return str(mistake["msg"]).removeprefix("Value error, ")


def shipped(relative: str) -> Path:
    """Return the path of a file of ``models/`` or ``configs/``, from a checkout or an installed wheel."""
    roots = (Path(__file__).parent.parent, Path(sysconfig.get_path("data")) / "share" / "take-triage")
    for root in roots:
        if (root / relative).exists():
            return root / relative
    raise ConfigError(f"{relative} is not in {' or '.join(str(root) for root in roots)}; reinstall the tool")

"""A new session's folder: writes a commented session.toml and take_sheet.csv to fill in.

In: a folder, made where it does not exist. Out: the two paths written, the session named as the folder;
what is already there is never replaced.
"""

import json
import re
from datetime import date
from pathlib import Path

from triage.config import shipped
from triage.domain.errors import ConfigError
from triage.intake.session import SESSION_FILE
from triage.intake.sheet import SHEET_FILE


def write_template(folder: Path) -> tuple[Path, Path]:
    """Write the shipped session.toml and take_sheet.csv into a folder, made with its parents; return both paths.

    Raises
    ------
    ConfigError
        If either file is already there, or the folder cannot be written to; nothing is then written.
    """
    folder = Path(folder)
    texts = {folder / name: shipped(f"configs/{name}").read_bytes() for name in (SESSION_FILE, SHEET_FILE)}
    texts[folder / SESSION_FILE] = _named(texts[folder / SESSION_FILE], folder.resolve().name)
    for path in texts:
        if path.exists():
            raise ConfigError(f"{path}: is already there and stays as it is; choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            # "x": another writer between the check and here must not lose its file either.
            with path.open("xb") as file:
                file.write(text)
    except OSError as error:
        raise ConfigError(f"{folder}: cannot be written to ({error.strerror}); choose another folder") from None
    session, sheet = texts
    return session, sheet


def _named(text: bytes, name: str) -> bytes:
    """Put the folder's name and today's date in: two sessions of one name would be one to the store."""
    # A JSON string is a TOML string as well.
    own = f"name = {json.dumps(name, ensure_ascii=False)}".encode("utf-8", "replace")
    today = f"date = {date.today().isoformat()}".encode()
    text = re.sub(rb'^name = "[^"{]*"', lambda _: own, text, count=1, flags=re.MULTILINE)
    return re.sub(rb"^date = [0-9-]+", lambda _: today, text, count=1, flags=re.MULTILINE)

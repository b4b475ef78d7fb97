"""A new session's folder: writes a commented session.toml and take_sheet.csv to fill in.

In: a folder, made where it does not exist. Out: the two paths written; what is already there is never
replaced.
"""

from pathlib import Path

from triage.config import shipped
from triage.errors import ConfigError
from triage.intake.session import SESSION_FILE
from triage.intake.sheet import SHEET_FILE


def write_template(folder: Path) -> tuple[Path, Path]:
    """Write the shipped session.toml and take_sheet.csv into a folder.

    Parameters
    ----------
    folder : Path
        The new session's folder; made, with its parents, where it does not exist.

    Returns
    -------
    tuple of Path
        The session.toml and the take_sheet.csv written.

    Raises
    ------
    ConfigError
        If either file is already there, or the folder cannot be written to; nothing is then written.
    """
    folder = Path(folder)
    texts = {folder / name: shipped(f"configs/{name}").read_bytes() for name in (SESSION_FILE, SHEET_FILE)}
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
        raise ConfigError(
            f"{folder}: cannot be written to ({error.strerror}); choose another folder"
        ) from None
    session, sheet = texts
    return session, sheet

"""The commands `triage desk` and `triage people`: serve the pages, and manage who may sign in from elsewhere."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine

from triage.cli.options import FormOption, RecordingsOption, StoreOption, opened_store
from triage.cli.output import Form, csv_text, json_text, notify, put, table_text
from triage.domain.errors import ConfigError
from triage.store.accounts import Person, find_person, people, remove_person, save_person, set_password
from triage.store.address import store_url
from triage.store.engine import reading, writing

CAUTION = "mind your ears: after a spot played with raised level a full-level note may follow"


def open_desk(
    host: Annotated[
        str, typer.Option(help="Address to serve on; beyond this machine accounts are needed")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65_535, help="Port to serve on")] = 8451,
    name: Annotated[
        list[str] | None, typer.Option(metavar="HOST", help="What browsers call this machine; may be given again")
    ] = None,
    recordings: RecordingsOption = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="TLS certificate in PEM form, to serve https")
    ] = None,
    certificate_key: Annotated[Path | None, typer.Option(metavar="FILE", help="The certificate's key")] = None,
    behind_https: Annotated[bool, typer.Option("--behind-https", help="A proxy in front speaks https")] = False,
    store: StoreOption = None,
) -> None:
    """Serve the pages. On this machine anybody picks a name to sign in; elsewhere accounts are needed."""
    from triage.desk.serving import serve
    from triage.desk.settings import DeskSettings

    if (certificate is None) != (certificate_key is None):
        raise ConfigError("--certificate and --certificate-key go together; give both or neither")
    pair = (certificate, certificate_key) if certificate and certificate_key else None
    settings = DeskSettings(
        store_url(store), host, port, tuple(name or ()), bool(pair) or behind_https, tuple(recordings or ())
    )
    serve(settings, pair, lambda: _say_where(settings.address, settings.beyond_loopback and not settings.https))


def show_people(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="Whose account to make, change or end")] = None,
    role: Annotated[
        str | None, typer.Option(help="editor, producer, engineer or lead; asks for a password as well")
    ] = None,
    remove: Annotated[bool, typer.Option("--remove", help="End the account; verdicts stay")] = False,
    password_stdin: Annotated[
        bool, typer.Option("--password-stdin", help="Read the password from standard input, one line")
    ] = False,
    form: FormOption = Form.table,
    store: StoreOption = None,
) -> None:
    """Show the people of the desk. Or make an account, give it another role or password, or end it."""
    if name is None and (role or remove or password_stdin):
        raise ConfigError("say whose account it is: triage people NAME --role editor")
    with opened_store(store) as engine:
        if name is not None:
            _change(engine, name, role, remove, password_stdin)
        with reading(engine) as db:
            put(people_text(form, people(db)))


def people_text(form: Form, found: tuple[Person, ...]) -> str:
    """Return who is known at the desk."""
    if form is Form.json:
        return json_text({"people": [{"name": p.name, "role": p.role, "account": p.has_password} for p in found]})
    rows = [(p.name, p.role, "yes" if p.has_password else "no") for p in found]
    if form is Form.csv:
        return csv_text(("name", "role", "account"), rows)
    if not found:
        return "no accounts yet: triage people NAME --role editor makes one\n"
    return table_text(f"{len(found)} at the desk", ("name", "role", "account"), rows)


def _change(engine: Engine, name: str, role: str | None, remove: bool, password_stdin: bool) -> None:
    if remove:
        with writing(engine) as db:
            remove_person(db, name)
        return
    with reading(engine) as db:
        known = find_person(db, name)
    if role is None and known is None:
        raise ConfigError(f"nobody is called {name!r} yet; give a role: triage people {name} --role editor")
    from triage.desk.people import hash_password

    hashed = hash_password(_password(name, password_stdin))
    with writing(engine) as db:
        person = save_person(db, name, role or (known.role if known else ""))
        set_password(db, person.id, hashed)


def _password(name: str, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    return str(typer.prompt(f"Password for {name}", hide_input=True, confirmation_prompt=True, err=True))


def _say_where(address: str, in_clear: bool) -> None:
    notify(f"the desk is open at {address} (Ctrl-C ends it); {CAUTION}")
    if in_clear:
        notify("without https passwords can be read on the way; give --certificate, or --behind-https with a proxy")

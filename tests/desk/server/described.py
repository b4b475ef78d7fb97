"""The desk asked all that its OpenAPI description allows, and what it does not: no answer may be a fault (5xx).

schemathesis makes the requests. Routes left out of the description (pages, forms) are asked as well: the test
describes them too. ``python -m tests.desk.server.described --examples 500`` asks for longer than CI does.
"""

import argparse
import pkgutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from unittest.mock import patch

import httpx
import schemathesis
from fastapi.openapi.utils import get_openapi
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode

import triage.desk
from tests.desk.server.evening import TAKES, fill
from tests.desk.server.served import TOKEN, AtDesk, Served
from triage.desk.background_jobs import BackgroundJobs
from triage.desk.settings import DeskSettings
from triage.domain.errors import ConfigError
from triage.store.engine import open_store

ENDLESS = "live"  # streams of events, which do not end
MODES = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)  # as described, and otherwise


def whole_description() -> dict[str, object]:
    """Return the description with the pages and forms in it, the endless streams out of it."""
    modules = [import_module(one.name) for one in pkgutil.iter_modules(triage.desk.__path__, "triage.desk.")]
    routes = [route for module in modules if hasattr(module, "router") for route in module.router.routes]
    hidden = [route for route in routes if not route.include_in_schema]
    for route in hidden:
        route.include_in_schema = True
    described = get_openapi(title="The desk", version="1", routes=routes)
    for route in hidden:
        route.include_in_schema = False
    described["paths"] = {path: how for path, how in described["paths"].items() if not path.endswith(ENDLESS)}
    return described


def faults(served: Served, examples: int) -> tuple[list[str], Counter[int]]:
    """Return a line for each answer that is a fault, and how many answers had which status."""
    schema = schemathesis.openapi.from_dict(whole_description())
    found, statuses = [], Counter[int]()
    anna, ben = served.person("anna", "producer"), served.person("ben", "engineer")

    def refused(self: BackgroundJobs, *what: object, **how: object) -> None:
        raise ConfigError("no job is started here")  # each would be a process that trains

    with patch.object(BackgroundJobs, "run", refused):
        for operation in (one.ok() for one in schema.get_all_operations()):
            for mode in MODES:
                who = ben if operation.path.endswith("harmless") else anna
                found += _asked(operation, mode, served, who, examples, statuses)
            if operation.path in ("/sign-out", "/sign-in"):
                anna = served.person("anna", "producer")
    return found, statuses


def _asked(
    operation: schemathesis.APIOperation,
    mode: GenerationMode,
    served: Served,
    anna: AtDesk,
    examples: int,
    statuses: Counter[int],
) -> Iterator[str]:
    found: list[str] = []
    form = TOKEN.search(anna.get("/sign-in").text)

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode))
    def ask(case: schemathesis.Case) -> None:
        _name_what_is_there(case)
        if isinstance(case.body, dict) and form is not None and "json" not in (case.media_type or ""):
            case.body["form_token"] = form[1]  # else no form gets past the first look
        answer = _send(case, served, anna)
        if answer is not None:
            statuses[answer.status_code] += 1
            if answer.status_code >= 500:
                found.append(f"{answer.status_code} {case.as_curl_command()[:300]}: {answer.text[:200]}")

    try:
        ask()
    except Exception as error:
        if type(error).__name__ not in ("Unsatisfiable", "SkipTest", "InvalidArgument"):
            raise  # an operation without parameters has nothing to be asked wrongly
    yield from found


def _name_what_is_there(case: schemathesis.Case) -> None:
    """Let every other request be about a take that there is; else nearly all would end at the first look."""
    there = {"take_id": len(TAKES), "session_id": 1, "note": 2}
    numbers = {name: value for name, value in (case.path_parameters or {}).items() if isinstance(value, int)}
    if numbers and sum(numbers.values()) % 2:
        for name, value in numbers.items():
            case.path_parameters[name] = 1 + value % there.get(name, 1)
        if "mic" in case.path_parameters:
            case.path_parameters["mic"] = "close"


def _send(case: schemathesis.Case, served: Served, anna: AtDesk) -> httpx.Response | None:
    """Send a request as anna's browser would; None where no such request can be sent over HTTP at all."""
    own = {"X-Form-Token": anna.token, "Cookie": "; ".join(f"{k}={v}" for k, v in anna.client.cookies.items())}
    try:
        kwargs = case.as_transport_kwargs(base_url=served.url, headers=own)
        for name in ("cert", "verify", "allow_redirects", "stream"):
            kwargs.pop(name, None)
        kwargs.pop("cookies", None)
        if isinstance(kwargs.get("data"), str | bytes):
            kwargs["content"] = kwargs.pop("data")
        return httpx.request(kwargs.pop("method"), kwargs.pop("url"), timeout=30, **kwargs)
    except (UnicodeError, httpx.InvalidURL, httpx.LocalProtocolError, TypeError, ValueError):
        return None


def main() -> int:
    """Ask a desk with a small session."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=200, help="requests of each kind to each address")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        address = f"sqlite:///{home}/store.db"
        engine = open_store(address)
        fill(engine, Path(home) / "mill")
        engine.dispose()
        served = Served(DeskSettings(address))
        found, statuses = faults(served, asked.examples)
        served.stop()
    print(f"{sum(statuses.values())} answers: {dict(sorted(statuses.items()))}; {len(found)} faults")
    print("\n".join(found[:40]))
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())

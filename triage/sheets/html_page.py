"""HTML pages in a single file that open without a network and print on A4 and Letter.

A template of ``triage/sheets/templates`` and its values go in, one page comes out, its style inside it.
"""

from functools import cache
from importlib.resources import files
from typing import Any


def page(template: str, **values: Any) -> str:
    """Return the page of a template; a value that it lacks is an error, all text is escaped."""
    style = files("triage.sheets").joinpath("templates/paper.css").read_text(encoding="utf-8")
    return _pages().get_template(template).render(paper_style=style, **values)


@cache
def _pages() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape  # late: a table needs none

    return Environment(
        loader=PackageLoader("triage.sheets"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

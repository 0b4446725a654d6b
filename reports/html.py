"""HTML from the pages that :mod:`reports.pages` worked out.

The one rule: text goes in through Jinja's escaping and :func:`~reports.texts.printable`, without
exception. A page asks for nothing outside itself, and its content policy forbids scripts.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from harness.store import ChipRecord, RunRecord
from reports.pages import build_chip, build_index
from reports.texts import duration, many, pin_name, printable


def chip_html(run: RunRecord, chip: ChipRecord) -> bytes:
    """Return the page of one chip as UTF-8."""
    return render("chip.html.jinja", build_chip(run, chip))


def index_html(run: RunRecord) -> bytes:
    """Return the page of the whole run as UTF-8."""
    return render("index.html.jinja", build_index(run))


def render(template: str, page: object, **more: object) -> bytes:
    """Render one of the templates beside this module; ``more`` goes before its globals."""
    text = _environment().get_template(template).render(page=page, **more)
    return text.encode("utf-8")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_harmless,
    )
    style = resources.files("reports").joinpath("templates/style.css").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    environment.globals |= {
        "style": Markup(style),  # noqa: S704 - our own file
        "style_hash": digest,
        "many": many,
        "duration": duration,
        "pin_name": pin_name,
    }
    return environment


def _harmless(value: object) -> object:
    """Make plain text printable; markup made by this package stays as it is."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return printable(value)
    return value

"""A short Markdown text about one chip, ready to paste into a ticket.

The one rule: text of a record stays text, whatever Markdown or HTML it looks like.
"""

from __future__ import annotations

import re

from jinja2 import Environment

from harness.errors import printable
from harness.records import ChipRecord, RunRecord
from harness_reports.html import page_environment

MAX_SHOWN = 12
"""Maximum number of tables that did not pass in the text; the report has all."""

_START = "## Chip "
_END = "Run it again from the attached bundle: `harness replay BUNDLE.zip`"
_WWW = re.compile(r"(www)\.", re.IGNORECASE)
_SPECIAL = re.compile(r"[\\`*_\[\]#|~$]")


def ticket_markdown(run: RunRecord, chip: ChipRecord) -> str:
    """Return the text, ending in a newline."""
    template = markdown_environment().get_template("ticket.md.jinja")
    return f"{template.render(run=run, chip=chip, shown=MAX_SHOWN)}\n"


def markdown_environment() -> Environment:
    """Return an environment in which every text that a template sets stays text in Markdown."""
    return page_environment("harness_reports").overlay(autoescape=False, finalize=_plain)


def is_ticket(data: bytes) -> bool:
    """Tell whether a file's content is such a text, so that a new one may take its place."""
    return data.startswith(_START.encode()) and data.endswith(f"{_END}\n".encode())


def plain_markdown(text: str) -> str:
    """Return text on one line with nothing in it that Markdown or HTML would act on."""
    line = " ".join(printable(text).split())
    line = line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    # a backslash does not keep every tracker from notifying people, a character reference does
    line = _SPECIAL.sub(r"\\\g<0>", line).replace("@", "&#64;").replace("://", "&#58;//")
    return _WWW.sub(r"\1&#46;", line)


def _plain(value: object) -> object:
    """Whatever the template sets in the text goes through here."""
    return plain_markdown(value) if isinstance(value, str) else value

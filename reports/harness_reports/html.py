"""HTML from the pages that :mod:`harness_reports.pages` worked out.

The one rule: text goes in through Jinja's escaping and
:func:`~harness_reports.texts.printable`, without exception. A page asks for nothing outside
itself, and its content policy allows only the styles and scripts of this package, by their hash.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib import resources

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from harness.errors import many, printable
from harness.judge import NightChanges
from harness.records import ChipOfRun, ChipRecord, DesignOfRun, RunOverview, RunRecord
from harness_reports import (
    looks,
    margin_view,
    names,
    standings,
    strips,
    suspects,
    texts,
    traffic,
    trust,
)
from harness_reports.designs import build_design
from harness_reports.overview import build_index
from harness_reports.pages import build_chip
from harness_reports.since import build_since_page
from harness_reports.ways import ALONE, Beyond

_STYLE = ("style.css",)
RUN_FILES = (*_STYLE, "steps.js", "find.js")
"""Styles and scripts in the pages of a run."""


def chip_html(run: RunRecord | ChipOfRun, chip: ChipRecord, beyond: Beyond = ALONE) -> bytes:
    """Return the page of one chip as UTF-8, with what the run measured of its margins."""
    return page_html("chip.html.jinja", build_chip(run, chip, beyond), RUN_FILES)


def design_html(run: DesignOfRun, beyond: Beyond = ALONE) -> bytes:
    """Return the page of one design of a run as UTF-8."""
    return page_html("design.html.jinja", build_design(run, beyond), RUN_FILES)


def index_html(run: RunOverview, beyond: Beyond = ALONE) -> bytes:
    """Return the page of the whole run as UTF-8; a night's page begins with what changed."""
    return page_html("index.html.jinja", build_index(run, beyond), RUN_FILES)


def since_html(run: RunOverview, changes: NightChanges, beyond: Beyond = ALONE) -> bytes:
    """Return the page that compares a run with an earlier one as UTF-8."""
    return page_html("since.html.jinja", build_since_page(run, changes, beyond), RUN_FILES)


def page_html(template: str, page: object, files: Sequence[str] = _STYLE) -> bytes:
    """Render one of the templates beside this module, with these styles and scripts in the page."""
    whole = page_environment("harness_reports").get_template(template)
    return whole.render(
        page=page,
        style=Markup(file_text(*_of_kind(".css", files))),  # noqa: S704 - our own files
        script=Markup(file_text(*_of_kind(".js", files))),  # noqa: S704
        policy=Markup(page_policy(*files)),  # noqa: S704
    ).encode("utf-8")


@cache
def page_environment(package: str) -> Environment:
    """Give the environment for a package's templates; those of the reports can be used in them.

    All text is escaped and made printable.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("harness_reports")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_harmless,
    )
    environment.filters |= {word.__name__: word for word in _WORDS}
    return environment


_WORDS = (
    looks.coded, looks.look, looks.tally, margin_view.drop_text, margin_view.exactly,
    margin_view.passes, margin_view.point_look, names.chip_name, names.design_anchor,
    texts.agreement, texts.clock,
    names.design_page, names.design_table, names.pin_anchor, texts.counts_text, texts.day,
    texts.cells_text, texts.coverage_text, texts.duration, texts.first_mismatch, texts.hertz,
    texts.interval_text, many, texts.minute, texts.moment, texts.pin_name, texts.rate_text,
    standings.change_text, standings.latest_text, strips.strip, strips.strip_mark, texts.run_title,
    suspects.suspect_fit, suspects.suspect_lists, suspects.suspect_place, suspects.suspect_text,
    texts.short_first, texts.time_remark, texts.timing_word, texts.unstable_remark,
    traffic.first_wrong, trust.chip_headline,
)  # fmt: skip
"""How templates write what they are given: verdicts, numbers, times, pins."""


@cache
def file_text(*names: str) -> str:
    """Read style or script files beside the templates, in this order."""
    folder = resources.files("harness_reports").joinpath("templates")
    return "\n".join(folder.joinpath(name).read_text("utf-8") for name in names)


def text_hash(text: str) -> str:
    """Return the SHA-256 of a style or script in base64, as a content policy names it."""
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def page_policy(*files: str) -> str:
    """Return the content policy of a page with these styles and scripts in it: no address."""
    allowed = "default-src 'none'"
    for kind, source in ((".css", "style-src"), (".js", "script-src")):
        if names := _of_kind(kind, files):
            allowed += f"; {source} 'sha256-{text_hash(file_text(*names))}'"
    return f"{allowed}; img-src data:; base-uri 'none'; form-action 'none'"


def _of_kind(ending: str, files: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in files if name.endswith(ending))


def _harmless(value: object) -> object:
    """Make plain text printable; markup made by this package stays as it is."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return printable(value)
    return value

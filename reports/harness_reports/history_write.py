"""History pages as HTML, and as files in a folder.

The one rule: a page that is written links only to pages that are written with it, or there already.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from harness.door import is_file
from harness.store import History, Selection, Standings, Store, SubjectKind
from harness_reports.history import NO_MARGINS, SubjectMargins, build_history, margins_of
from harness_reports.html import page_html, page_policy
from harness_reports.names import distinct_names, safe_name
from harness_reports.secrets import Scrubber
from harness_reports.standings import build_standings
from harness_reports.ways import Links, nowhere
from harness_reports.write import write_file

FILES = ("style.css", "history.css", "steps.js", "find.js")
"""Styles and scripts in the pages of histories."""


@dataclass(frozen=True)
class WrittenHistories:
    """The pages that were written; ``index`` leads to all of them, None if there is only one."""

    pages: tuple[Path, ...]
    index: Path | None


def history_html(
    subject: Selection, history: History, links: Links, margins: SubjectMargins = NO_MARGINS
) -> bytes:
    """Return the page of one chip, design or slot as UTF-8."""
    scrubber = Scrubber()
    shown = SubjectMargins(
        *(tuple(map(scrubber.record, some)) for some in (margins.own, margins.others))
    )
    handovers = tuple(map(scrubber.record, history.handovers))
    whole = replace(history, trouble=scrubber.text(history.trouble), handovers=handovers)
    return page_html("history.html.jinja", build_history(subject, whole, links, shown), FILES)


def subjects_html(standings: Standings, links: Links) -> bytes:
    """Return the page that lists what has a history as UTF-8."""
    return page_html("subjects.html.jinja", build_standings(standings, links), FILES)


def history_policy() -> str:
    """Return the content policy under which both kinds of page are shown as they should be."""
    return page_policy(*FILES)


def history_page(subject: Selection) -> str:
    """Name the page of a subject, unless another has that name already."""
    return f"{safe_name(_file_name(subject))}.html"


def write_histories(
    store: Store,
    subjects: Sequence[Selection],
    folder: Path,
    run: Callable[[str], str] = nowhere,
) -> WrittenHistories:
    """Write the page of each subject into ``folder``, which is made if need be, then the index.

    The index has every subject whose page is there. The records of one subject are read at a time;
    ``run`` leads to a run's reports from there. Raises StoreError naming the folder and the reason.
    """
    known = dict.fromkeys((*store.subjects(), *subjects))
    names = distinct_names({subject: _file_name(subject) for subject in known})
    places = {subject: folder / f"{name}.html" for subject, name in names.items()}
    paths = {subject: places[subject] for subject in subjects}
    there = {subject: p.name for subject, p in places.items() if subject in paths or is_file(p)}
    index = folder / "index.html" if len(paths) > 1 else None
    links = Links(
        histories="" if index is None else index.name,
        subject=lambda subject: there.get(subject, ""),
        run=run,
    )
    latest = cache(store.latest_margins)
    for subject, path in paths.items():
        margins = margins_of(store, subject, latest)
        page = history_html(subject, store.history(subject), links, margins)
        write_file(path, page, folder)
    if index is not None:
        found = store.standings()
        chosen = tuple(one for one in found.subjects if one.subject in there)
        write_file(index, subjects_html(replace(found, subjects=chosen), links), folder)
    return WrittenHistories(tuple(paths.values()), index)


def _file_name(subject: Selection) -> str:
    rack = f"{subject.rack}-" if subject.kind is SubjectKind.SLOT else ""
    return f"{subject.kind}-{rack}{subject.name}"

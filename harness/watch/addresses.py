"""The addresses of all pages, made from names in the store.

One rule: a name is only ever part of a query or one quoted segment of a path, never a file's path.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote, urlencode

from harness.store import Selection, SubjectKind, of_chip, of_design, of_slot
from harness_reports import Links, since_page

HOME, EVENTS, HISTORIES, HISTORY = "/", "/events", "/histories", "/history"
STYLE, SCRIPT = "/style.css", "/watch.js"


def rack_address(path: str, rack: str | None) -> str:
    """``/?rack=Demo``; only the path if there is no rack."""
    return path if rack is None else f"{path}?{_query(rack=rack)}"


def history_address(subject: Selection) -> str:
    """``/history?chip=SP2-0001``."""
    if subject.kind is SubjectKind.SLOT:
        return f"{HISTORY}?{_query(rack=subject.rack, slot=subject.name)}"
    return f"{HISTORY}?{_query(**{subject.kind: subject.name})}"


def subject_of(query: Mapping[str, str]) -> Selection | None:
    """Read the query of a :func:`history_address`; None if it is not one."""
    match dict(query):
        case {"chip": serial, **rest} if not rest:
            return of_chip(serial)
        case {"design": name, **rest} if not rest:
            return of_design(name)
        case {"rack": rack, "slot": slot, **rest} if not rest:
            return of_slot(rack, slot)
        case _:
            return None


def run_address(run_id: str, name: str = "index.html") -> str:
    """``/runs/<run>/index.html``, or another file of the run's reports."""
    return f"/runs/{quote(run_id, safe='', errors='replace')}/{quote(name, errors='replace')}"


LINKS = Links(
    rack=lambda name: rack_address(HOME, name or None),
    histories=HISTORIES,
    subject=history_address,
    run=run_address,
    since=since_page,
)
"""Where the links of all pages lead."""


def _query(**parts: str) -> str:
    return urlencode(parts, errors="replace")

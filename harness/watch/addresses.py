"""The addresses of all pages, made of names from the store.

One rule: a name is only ever part of a query or one quoted part of a path; none is a file's.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote, urlencode

from harness_reports import Anchor, ChipSubject, DesignSubject, Links, SlotSubject, Subject

HOME, EVENTS, HISTORIES, HISTORY = "/", "/events", "/histories", "/history"
STYLE, SCRIPT = "/style.css", "/watch.js"


def rack_address(path: str, rack: str | None) -> str:
    """``/?rack=Demo``; without a rack just the path."""
    return path if rack is None else f"{path}?{_query(rack=rack)}"


def history_address(subject: Subject) -> str:
    """``/history?chip=SP2-0001``."""
    match subject:
        case ChipSubject(serial):
            return f"{HISTORY}?{_query(chip=serial)}"
        case DesignSubject(name):
            return f"{HISTORY}?{_query(design=name)}"
        case SlotSubject(rack, slot):
            return f"{HISTORY}?{_query(rack=rack, slot=slot)}"


def subject_of(query: Mapping[str, str]) -> Subject | None:
    """Read what :func:`history_address` wrote; None if it is nothing of that kind."""
    match dict(query):
        case {"chip": serial, **rest} if not rest:
            return ChipSubject(serial)
        case {"design": name, **rest} if not rest:
            return DesignSubject(name)
        case {"rack": rack, "slot": slot, **rest} if not rest:
            return SlotSubject(rack, slot)
        case _:
            return None


def run_address(run_id: str, name: str = "index.html") -> str:
    """``/runs/<run>/index.html``, or another file of the run's reports."""
    return f"/runs/{quote(run_id, safe='', errors='replace')}/{quote(name, errors='replace')}"


LINKS = Links(
    subject=history_address,
    run=run_address,
    pages=(Anchor("Rack", HOME), Anchor("All histories", HISTORIES)),
)
"""Where the links of history pages lead."""


def _query(**parts: str) -> str:
    return urlencode(parts, errors="replace")

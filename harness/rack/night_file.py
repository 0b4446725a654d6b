"""Reads ``[nightly]`` of a rack file: what a night does beside running every table.

One rule: a design that the shuttle does not have is found when the file is read, not at night.
"""

from __future__ import annotations

from harness.shuttle import Shuttle, TomlTable, nearest


def read_night_margins(top: TomlTable, shuttle: Shuttle | None) -> tuple[str, ...]:
    """Read the designs whose margin a night searches; wrong ones leave findings."""
    table = top.maybe_table("nightly")
    if table is None:
        return ()
    names = table.strings("margin", ())
    known = [] if shuttle is None else [design.name for design in shuttle.designs]
    for name in names:
        if shuttle is not None and name not in known:
            message = f'no design of {shuttle.name} is called "{name}"'
            table.error("unknown-design", "margin", message, nearest(name, known))
    return tuple(dict.fromkeys(names))

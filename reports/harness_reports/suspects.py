"""Suspects inside a design in words, and as a JSON file of their own.

The one rule: what a suspect does not explain stands beside what it does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import many
from harness.records import Bound, Diagnosis, Separation, Suspect, encode, to_lines

FORMAT = "harness-suspects"
SCHEMA = 1

MAX_SHOWN_SUSPECTS = 5
"""Maximum number of suspects on pages and in tickets; the JSON file has all that were kept."""
MAX_SHOWN_OTHERS = 3
MAX_SHOWN_BOUNDS = 4


@dataclass(frozen=True)
class SuspectList:
    """The suspects to show of one design; ``notes`` are vectors to run and what was left."""

    heading: str
    rows: tuple[Suspect, ...]
    notes: tuple[str, ...]


def suspect_lists(found: Sequence[Diagnosis]) -> tuple[SuspectList, ...]:
    """Work out how the suspects of a cause are shown."""
    return tuple(
        SuspectList(
            suspects_heading(one),
            one.suspects[:MAX_SHOWN_SUSPECTS],
            (
                *map(separation_text, one.separations),
                *(f"Not tried: {text}." for text in one.left_out),
            ),
        )
        for one in found
    )


def suspects_heading(found: Diagnosis) -> str:
    """``Suspects inside crc16 (A3, SP2-0003): 478 stuck-at faults tried on 1 table``."""
    tried = [f"{found.faults:,} stuck-at faults"]
    tried += [f"{found.slow:,} slow nets"] if found.slow else []
    tried += [f"{found.bridges:,} bridges"] if found.bridges else []
    tables = many(len(found.failing) + len(found.passing), "table")
    where = f"{found.slot}, {found.chip}"
    return f"Suspects inside {found.design} ({where}): {', '.join(tried)} compared on {tables}"


def suspect_text(suspect: Suspect) -> str:
    """``zero stuck at 0, or 30 more that these tables do not tell from it: …``."""
    if suspect.alike < 2:
        return suspect.name
    named = ", ".join(suspect.others[:MAX_SHOWN_OTHERS])
    more = ", …" if suspect.alike - 1 > MAX_SHOWN_OTHERS else ""
    return (
        f"{suspect.name}, or {suspect.alike - 1:,} more that these tables cannot tell from it: "
        f"{named}{more}"
    )


def suspect_fit(suspect: Suspect) -> str:
    """Say what it explains, misses and contradicts."""
    bits = suspect.explained + suspect.missed
    exact = f"explains {many(suspect.exact, 'failing table')} exactly" if suspect.exact else ""
    share = f"{suspect.explained:,} of {bits:,} wrong bits explained"
    against = f"{suspect.contradicted:,} right bits contradicted" if suspect.contradicted else ""
    broken = f"passes of {', '.join(suspect.broken)} contradicted" if suspect.broken else ""
    return "; ".join(text for text in (exact, share, against, broken) if text)


def suspect_place(suspect: Suspect) -> str:
    """``between hi (crc16.v:9), rem (crc16.v:13) and crc (crc16.v:10)``."""
    return f"between {_bounds(suspect.sources)} and {_bounds(suspect.sinks)}"


def _bounds(bounds: Sequence[Bound]) -> str:
    shown = ", ".join(map(str, bounds[:MAX_SHOWN_BOUNDS]))
    return (shown + (", …" if len(bounds) > MAX_SHOWN_BOUNDS else "")) or "nothing"


def separation_text(found: Separation) -> str:
    """Say which vectors tell two suspects apart."""
    pair = f'"{found.first}" from "{found.second}" at {", ".join(found.pins)}'
    if found.table:
        return f"To tell {pair}: run {found.table}, first at line {found.line}."
    vectors = many(len(found.vectors), "random vector")
    return f"To tell {pair}: no other table does; {vectors} do, listed by harness diagnose --json."


def suspects_json(found: Sequence[Diagnosis]) -> str:
    """Return suspects as JSON text, ending in a newline."""
    record = {"format": FORMAT, "schema": SCHEMA, "designs": [encode(one) for one in found]}
    return to_lines(record) + "\n"

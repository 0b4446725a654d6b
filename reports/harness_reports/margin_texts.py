"""Margins in words: one line for a search, one for a row of a shmoo.

One rule: a limit has enough figures to tell neighbouring rates apart, and says how its cycles were
timed.
"""

from __future__ import annotations

from harness.records import MarginEdge, MarginKind, MarginRecord
from harness_reports.margin_view import exactly
from harness_reports.texts import hertz


def limit_text(record: MarginRecord) -> str:
    """``passes up to 81.2215 kHz, fails at 81.2282 kHz (paced); +62.4 % vs 50 kHz``."""
    declared = _declared(record)
    if record.trouble:
        return f"search incomplete: {record.trouble}"
    how = "exact" if record.exact else "paced"
    if record.kind is MarginKind.SAMPLE:
        return f"limits at {len(record.edges)} sample points ({how})"
    if record.highest_hz is None:
        slowest = exactly(record.slowest_hz)
        return f"passes at no rate down to {slowest} ({how}); declared clock {declared}"
    passes, percent = exactly(record.highest_hz), f"{record.percent:+.1f} %"
    if record.failing_hz is None:
        if record.short:
            return f"passes up to {passes}, the fastest here ({how}), which is below {declared}"
        return f"passes up to {passes}, the fastest here ({how}); at least {percent} vs {declared}"
    fails = exactly(record.failing_hz)
    return f"passes up to {passes}, fails at {fails} ({how}); {percent} vs {declared}"


def _declared(record: MarginRecord) -> str:
    """The clock that counts; and the promised one, if this board cannot do it."""
    declared = hertz(record.declared_hz)
    if record.promised_hz <= record.declared_hz:
        return declared
    return f"{declared} (promised: {hertz(record.promised_hz)}, beyond this board)"


def edge_text(kind: MarginKind, edge: MarginEdge) -> str:
    """``1.80 V: passes up to 81.2 kHz``: one row of a shmoo."""
    where = f"{edge.sample_ns:,} ns" if kind is MarginKind.SAMPLE else f"{edge.volts:.2f} V"
    if edge.highest_hz is None:
        return f"{where}: passes at no rate"
    passes = f"{where}: passes up to {exactly(edge.highest_hz)}"
    if edge.failing_hz is None and kind is MarginKind.SAMPLE:
        return f"{passes}; a faster cycle would end before it"
    if edge.failing_hz is None:
        return f"{passes}, the fastest here"
    return f"{passes}, fails at {exactly(edge.failing_hz)}"

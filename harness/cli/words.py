"""How verdicts look on a terminal: always a symbol and a word; colour is only an addition."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from rich.text import Text

from harness.records import SEVERITY_ORDER, Outcome, Verdict

SYMBOLS = {
    Verdict.PASS: "✓",
    Verdict.FAIL: "✗",
    Verdict.UNSTABLE: "≈",
    Verdict.ERROR: "!",
    Verdict.NOT_RUN: "–",
    Verdict.WAIVED: "○",
}

_STYLES = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.UNSTABLE: "bold magenta",
    Verdict.ERROR: "yellow",
    Verdict.NOT_RUN: "dim",
    Verdict.WAIVED: "cyan",
}


def verdict_text(verdict: Verdict) -> str:
    """``✗ FAIL``."""
    return f"{SYMBOLS[verdict]} {verdict}"


def verdict_words(outcome: Outcome) -> str:
    """``✗ FAIL (provisional)``: what one table's evidence gave alone may still change."""
    text = verdict_text(outcome.verdict)
    return f"{text} (provisional)" if outcome.unsettled else text


def verdict_rich(verdict: Verdict) -> Text:
    """``✗ FAIL``, coloured."""
    return Text(verdict_text(verdict), style=_STYLES[verdict])


def counts_text(verdicts: Iterable[Verdict]) -> str:
    """``✗ 1 FAIL  ✓ 20 PASS``: worst first, without zeros."""
    counts = Counter(verdicts)
    return "  ".join(
        f"{SYMBOLS[verdict]} {counts[verdict]} {verdict}"
        for verdict in SEVERITY_ORDER
        if counts[verdict]
    )

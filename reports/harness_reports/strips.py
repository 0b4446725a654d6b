"""Verdicts run by run as small drawings: a strip for one row, lanes of counts for a rack.

The one rule: a mark is known by its shape as well as its colour, a strip says in words what it
shows, and the counts of lanes are also in a table.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness.records import SEVERITY_ORDER, Verdict
from harness.store import HistoryRun
from harness_reports.looks import Look, look, tally_text
from harness_reports.svg import line

_STEP, _HIGH = 7, 12
_MARKS = {
    Verdict.PASS: "M{} 6h0",
    Verdict.FAIL: "M{} 1m-2.5 0h5v10h-5z",
    Verdict.UNSTABLE: "M{} 0l3 6-3 6-3-6z",
    Verdict.ERROR: "M{} 1l3 10h-6z",
    Verdict.WAIVED: "M{} 1m-2.5 0h5v10l-2.5-2.5-2.5 2.5z",
    Verdict.NOT_RUN: "M{} 6m-2 0h4",
}
"""Each mark as a path around its middle: a dot, which is a round end of no line, a square …"""

_LANE_HIGH = 40


def strip(verdicts: Sequence[Verdict | None]) -> Markup:
    """Draw verdicts side by side, the latest on the right; a gap for None."""
    paths: dict[Verdict, str] = defaultdict(str)
    for number, verdict in enumerate(verdicts):
        if verdict is not None:
            paths[verdict] += _MARKS[verdict].format(number * _STEP + 3.5)
    drawn = Markup("").join(line(path, f"s-{look(v).shape}") for v, path in paths.items())
    return Markup(
        '<svg class="strip" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img"'
        ' aria-label="{words}">{drawn}</svg>'
    ).format(w=len(verdicts) * _STEP, h=_HIGH, words=strip_text(verdicts), drawn=drawn)


def strip_mark(verdict: Verdict) -> Markup:
    """Draw the mark of a verdict in a strip, for the legend."""
    path = line(_MARKS[verdict].format(3.5), f"s-{look(verdict).shape}")
    return Markup(
        '<svg class="strip" viewBox="0 0 7 12" width="7" height="12" aria-hidden="true">{}</svg>'
    ).format(path)


def strip_text(verdicts: Sequence[Verdict | None]) -> str:
    """``2 FAIL, 27 PASS, not part of 1; latest FAIL``."""
    known = [verdict for verdict in verdicts if verdict is not None]
    if not known:
        return "none"
    absent = len(verdicts) - len(known)
    rest = f", not part of {absent}" if absent else ""
    return f"{tally_text(known)}{rest}; latest {known[-1]}"


@dataclass(frozen=True)
class Lane:
    """The counts of one verdict in each run, drawn on a scale of its own."""

    look: Look
    latest: int
    most: int
    bars: Markup


@dataclass(frozen=True)
class Lanes:
    """How many tables got which verdict in each of a rack's runs, which are the oldest first."""

    rack: str
    lanes: tuple[Lane, ...]
    runs: tuple[HistoryRun, ...]
    verdicts: tuple[Verdict, ...]


def lanes(rack: str, runs: Sequence[HistoryRun]) -> Lanes:
    """Draw a lane for each verdict that occurs, worst first."""
    occurring = tuple(v for v in SEVERITY_ORDER if any(v in run.counts for run in runs))
    made = (_lane(v, [run.counts.get(v, 0) for run in runs]) for v in occurring)
    return Lanes(rack, tuple(made), tuple(runs), occurring)


def _lane(verdict: Verdict, counts: Sequence[int]) -> Lane:
    most = max(counts)
    heights = [-(-count * _LANE_HIGH // most) for count in counts]
    path = "".join(
        f"M{n} {_LANE_HIGH}v-{high}h.8v{high}z" for n, high in enumerate(heights) if high
    )
    bars = Markup(
        '<svg class="bars" viewBox="0 0 {w} {h}" preserveAspectRatio="none" aria-hidden="true">'
        "{path}</svg>"
    ).format(w=len(counts), h=_LANE_HIGH, path=line(path, f"s-{look(verdict).shape}"))
    return Lane(look(verdict), counts[-1], most, bars)

"""One line for each table on each chip through many nights: pure arithmetic on verdict letters.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR and NOT RUN are
counted beside it, and neither makes or ends a change.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from operator import itemgetter

from harness.records import Verdict
from harness.store.summaries import LETTERS, Entry
from harness.store.wilson import PassRate, pass_rate

_VERDICTS = {letter: verdict for verdict, letter in LETTERS.items()}
_PASS = LETTERS[Verdict.PASS]
_UNJUDGED = {letter for verdict, letter in LETTERS.items() if not verdict.judged}


@dataclass(frozen=True)
class Night:
    """One run's summary of a subject: entries, and a letter for each."""

    run_id: str
    started: datetime
    kind: str
    entries: Sequence[Entry]
    letters: str


@dataclass(frozen=True)
class HistoryLine:
    """One table on one chip through all nights that were asked for.

    The moments are starts of runs. ``verdict`` is the latest of those that judged the chip, in
    force without a change since ``last_changed``; ``untested`` counts the ERROR and NOT RUN
    beside them. A table that was never judged has no verdict and no change.
    """

    chip_serial: str
    design: str
    table: str
    first_seen: datetime
    last_seen: datetime
    last_changed: datetime | None
    verdict: Verdict | None
    rate: PassRate
    untested: int


def history_lines(nights: Sequence[Night]) -> Iterator[HistoryLine]:
    """Give one line per chip and table, sorted by chip, design and table; nights oldest first."""
    seen: dict[Entry, list[tuple[str, datetime]]] = defaultdict(list)
    for night in nights:
        for entry, letter in zip(night.entries, night.letters, strict=True):
            seen[entry].append((letter, night.started))
    for entry in sorted(seen):
        yield _line(entry, seen[entry])


def _line(entry: Entry, seen: Sequence[tuple[str, datetime]]) -> HistoryLine:
    """Make a line of what was found of it, with the starts of these nights."""
    chip_serial, design, table = entry
    judged = [(letter, start) for letter, start in seen if letter not in _UNJUDGED]
    stretches = [next(same) for _, same in groupby(judged, key=itemgetter(0))]
    letter, last_changed = stretches[-1] if stretches else (None, None)
    passes = sum(letter == _PASS for letter, _ in judged)
    return HistoryLine(
        chip_serial=chip_serial,
        design=design,
        table=table,
        first_seen=seen[0][1],
        last_seen=seen[-1][1],
        last_changed=last_changed,
        verdict=None if letter is None else _VERDICTS[letter],
        rate=pass_rate(passes, len(judged)),
        untested=len(seen) - len(judged),
    )

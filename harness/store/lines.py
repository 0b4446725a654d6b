"""One line for each table on each chip over many runs: pure arithmetic on verdict letters.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR and NOT RUN are
counted beside it, and neither makes or ends a change.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, groupby

from harness.records import Verdict
from harness.store.summaries import LETTERS, Entry
from harness.store.wilson import PassRate, pass_rate

_VERDICTS = {letter: verdict for verdict, letter in LETTERS.items()}
_PASS = LETTERS[Verdict.PASS]
_UNJUDGED = "".join(letter for verdict, letter in LETTERS.items() if not verdict.judged)


@dataclass(frozen=True)
class RunSummary:
    """One run's summary of a subject: entries, and a letter for each."""

    run_id: str
    started: datetime
    kind: str
    entries: Sequence[Entry]
    letters: str


@dataclass(frozen=True)
class HistoryLine:
    """One table on one chip over all runs of a history.

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


def history_lines(runs: Sequence[RunSummary]) -> Iterator[HistoryLine]:
    """Give one line per chip and table, sorted by chip, design and table; runs oldest first."""
    letters: defaultdict[Entry, str] = defaultdict(str)
    starts: defaultdict[Entry, list[datetime]] = defaultdict(list)
    # hundreds of runs have one or two layouts: read by column, not letter by letter
    for _, same in groupby(runs, key=lambda run: id(run.entries)):
        alike = list(same)
        moments = [run.started for run in alike]
        columns: defaultdict[Entry, list[Sequence[str]]] = defaultdict(list)
        texts = zip(*(run.letters for run in alike), strict=True)
        for entry, column in zip(alike[0].entries, texts, strict=True):
            columns[entry].append(column)
        for entry, mine in columns.items():  # several if a chip was in several slots
            letters[entry] += "".join(chain(*zip(*mine, strict=True)))
            starts[entry] += [moment for moment in moments for _ in mine]
    for entry in sorted(letters):
        yield _line(entry, letters[entry], starts[entry])


def _line(entry: Entry, letters: str, starts: Sequence[datetime]) -> HistoryLine:
    """Make the line of an entry from its letters and the start of each letter's run."""
    chip_serial, design, table = entry
    untested = sum(map(letters.count, _UNJUDGED))
    latest = letters.rstrip(_UNJUDGED)[-1:]
    changed = len(letters.rstrip(_UNJUDGED + latest))
    return HistoryLine(
        chip_serial=chip_serial,
        design=design,
        table=table,
        first_seen=starts[0],
        last_seen=starts[-1],
        last_changed=starts[letters.index(latest, changed)] if latest else None,
        verdict=_VERDICTS[latest] if latest else None,
        rate=pass_rate(letters.count(_PASS), len(letters) - untested),
        untested=untested,
    )

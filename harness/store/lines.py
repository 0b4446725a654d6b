"""One line for each table on each chip through many nights: pure arithmetic on verdict letters.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR and NOT RUN are
counted beside it, and neither makes or ends a change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from harness.records import Verdict
from harness.store.summaries import LETTERS, Entry
from harness.store.wilson import PassRate, pass_rate

_VERDICTS = {ord(letter): verdict for verdict, letter in LETTERS.items()}
_PASS = ord(LETTERS[Verdict.PASS])
_UNJUDGED = [ord(letter) for verdict, letter in LETTERS.items() if not verdict.judged]

Numbers = npt.NDArray[np.int64]


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


@dataclass(frozen=True)
class _Marks:
    """Verdicts of all lines one after the other, in each line by night.

    ``night`` and ``code`` (a letter) have an item per verdict; line k has those from
    ``bounds[k]`` to before ``bounds[k + 1]``.
    """

    night: Numbers
    code: npt.NDArray[np.uint8]
    bounds: Numbers

    def of(self, line: int) -> tuple[Numbers, npt.NDArray[np.uint8]]:
        """Nights and letters of one line."""
        whole = slice(self.bounds[line], self.bounds[line + 1])
        return self.night[whole], self.code[whole]


def history_lines(nights: Sequence[Night]) -> Iterator[HistoryLine]:
    """Give one line per chip and table, sorted by chip, design and table; nights oldest first."""
    if not nights:
        return
    entries, marks = _marks(nights)
    judged = _judged(marks)
    for number in sorted(range(len(entries)), key=entries.__getitem__):
        yield _line(entries[number], marks.of(number)[0], *judged.of(number), nights)


def _line(
    entry: Entry,
    seen: Numbers,
    judged: Numbers,
    code: npt.NDArray[np.uint8],
    nights: Sequence[Night],
) -> HistoryLine:
    """Make a line of the nights it was seen in, and those it was judged in with their letters."""
    chip_serial, design, table = entry
    tested = len(judged)
    return HistoryLine(
        chip_serial=chip_serial,
        design=design,
        table=table,
        first_seen=nights[seen[0]].started,
        last_seen=nights[seen[-1]].started,
        last_changed=nights[judged[_last_change(code)]].started if tested else None,
        verdict=_VERDICTS[int(code[-1])] if tested else None,
        rate=pass_rate(int(np.count_nonzero(code == _PASS)), tested),
        untested=len(seen) - tested,
    )


def _last_change(code: npt.NDArray[np.uint8]) -> int:
    """Return where the letter last became another; 0 if it never did."""
    changed = np.flatnonzero(code[1:] != code[:-1])
    return int(changed[-1]) + 1 if len(changed) else 0


def _marks(nights: Sequence[Night]) -> tuple[list[Entry], _Marks]:
    """Number the entries of all nights, and sort the verdicts by these numbers."""
    entries, columns = _columns(nights)
    code = np.frombuffer("".join(night.letters for night in nights).encode("ascii"), np.uint8)
    line = np.concatenate(columns)
    night = np.repeat(np.arange(len(nights)), [len(column) for column in columns])
    order = np.argsort(line, kind="stable")
    bounds = np.searchsorted(line[order], np.arange(len(entries) + 1))
    return entries, _Marks(night[order], code[order], bounds)


def _judged(marks: _Marks) -> _Marks:
    """Leave out the verdicts that judged no chip."""
    kept = ~np.isin(marks.code, _UNJUDGED)
    before = np.concatenate(([0], np.cumsum(kept)))
    return _Marks(marks.night[kept], marks.code[kept], before[marks.bounds])


def _columns(nights: Sequence[Night]) -> tuple[list[Entry], list[Numbers]]:
    """Number the entries; for each night, the numbers of its own in order.

    Nights of one layout share their sequence, so it is looked through once.
    """
    numbers: dict[Entry, int] = {}
    seen: dict[int, Numbers] = {}
    for night in nights:
        if id(night.entries) not in seen:
            found = [numbers.setdefault(entry, len(numbers)) for entry in night.entries]
            seen[id(night.entries)] = np.array(found, np.int64)
    return list(numbers), [seen[id(night.entries)] for night in nights]

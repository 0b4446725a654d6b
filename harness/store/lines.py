"""One line for each table on each chip over many runs: pure arithmetic on verdict letters.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR, NOT RUN and what
is left out are counted beside it, and none of them makes or ends a change.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, groupby

from harness.records import SEVERITY_ORDER, Verdict, worst
from harness.store.summaries import LEFT_OUT, LETTERS, Entry
from harness.store.wilson import PassRate, pass_rate

STRIP_RUNS = 30
"""Number of the latest runs whose verdicts are shown one by one."""

_VERDICTS = {letter: verdict for verdict, letter in LETTERS.items()}
_PASS = LETTERS[Verdict.PASS]
_WORST_FIRST = "".join(LETTERS[verdict] for verdict in SEVERITY_ORDER) + LEFT_OUT
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
class Standing:
    """How something did over all runs of a history. The moments are starts of runs.

    ``verdict`` is the latest of those that judged the chip, of the run of ``last_judged``, in force
    without a change since ``last_changed``; before that it was ``changed_from``, None if it was
    never another. ``untested`` counts the ERROR and NOT RUN beside them, ``left_out`` the failures
    that belong to a table or design. What was never judged has no verdict. ``strip`` are the
    verdicts in the latest :data:`STRIP_RUNS` runs of the history, oldest first; None where it was
    not part of a run, or left out.
    """

    first_seen: datetime
    last_seen: datetime
    last_judged: datetime | None
    last_changed: datetime | None
    changed_from: Verdict | None
    verdict: Verdict | None
    rate: PassRate
    untested: int
    left_out: int
    strip: tuple[Verdict | None, ...]

    @property
    def now(self) -> Verdict | None:
        """The worse of the verdict in force and that of the latest run it was part of."""
        latest = next((one for one in reversed(self.strip) if one is not None), None)
        known = [one for one in (self.verdict, latest) if one is not None]
        return worst(known) if known else None


@dataclass(frozen=True)
class HistoryLine:
    """One table on one chip over all runs of a history."""

    chip_serial: str
    design: str
    table: str
    standing: Standing


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
    strips = _strips(runs[-STRIP_RUNS:])
    for entry in sorted(letters):
        yield HistoryLine(*entry, standing_of(letters[entry], starts[entry], strips[entry]))


def _strips(runs: Sequence[RunSummary]) -> defaultdict[Entry, list[str]]:
    """Give each entry's letters in each run; several if its chip was in several slots."""
    strips: defaultdict[Entry, list[str]] = defaultdict(lambda: [""] * len(runs))
    for number, run in enumerate(runs):
        for entry, letter in zip(run.entries, run.letters, strict=True):
            strips[entry][number] += letter
    return strips


def standing_of(letters: str, starts: Sequence[datetime], strip: Sequence[str]) -> Standing:
    """Work out a standing from its letters and the start of each letter's run, oldest first.

    ``strip`` has the letters of each of the latest runs; an empty text where it was not part.
    """
    seen = starts[0], starts[-1]
    left_out = sum(map(letters.count, LEFT_OUT))
    if left_out:
        starts = [start for start, one in zip(starts, letters, strict=True) if one not in LEFT_OUT]
        letters = "".join(one for one in letters if one not in LEFT_OUT)
    untested = sum(map(letters.count, _UNJUDGED))
    judged = letters.rstrip(_UNJUDGED)
    latest = judged[-1:]
    changed = len(letters.rstrip(_UNJUDGED + latest))
    before = letters[:changed][-1:]
    return Standing(
        first_seen=seen[0],
        last_seen=seen[1],
        last_judged=starts[len(judged) - 1] if latest else None,
        last_changed=starts[letters.index(latest, changed)] if latest else None,
        changed_from=_VERDICTS[before] if before else None,
        verdict=_VERDICTS[latest] if latest else None,
        rate=pass_rate(letters.count(_PASS), len(letters) - untested),
        untested=untested,
        left_out=left_out,
        strip=tuple(_VERDICTS.get(worst_letter(mine)) if mine else None for mine in strip),
    )


def worst_letter(letters: str) -> str:
    """Return the letter of the worst verdict among these, of which there is at least one.

    It is one of ``LEFT_OUT`` only if nothing else is there.
    """
    return next(letter for letter in _WORST_FIRST if letter in letters)

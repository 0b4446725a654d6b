"""What earlier runs say of a failure, once a chip or a board has been moved. Pure.

One rule: only equal answers count. A failure is the same one if the same table gave the same
answer, or was wrong first in the same cycle on the same pins.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from harness.records import ChipRecord, Outcome, RunRecord


@dataclass(frozen=True)
class Move:
    """A failure that was seen before, elsewhere or on another chip.

    It ``stayed`` with the board while the chip changed, or it followed the chip to another board.
    ``slot`` and ``chip`` are those of the earlier run ``run_id``; ``tables`` (``design/table``)
    failed alike in both.
    """

    stayed: bool
    run_id: str
    slot: str
    chip: str
    tables: tuple[str, ...]


@dataclass(frozen=True)
class Exchange:
    """Two slots of the same rack whose failures have changed places, though no chip was moved.

    ``slots`` are first the one that failed before and passes now, then the other.
    """

    run_id: str
    slots: tuple[str, str]
    tables: tuple[str, ...]


def moves(
    run: RunRecord, chip: ChipRecord, failing: Sequence[Outcome], earlier: Sequence[RunRecord]
) -> Iterator[Move]:
    """Yield what earlier runs, newest first, say of the failing tables of one chip of a run.

    Of each run at most one: that the failures stayed with the board, or followed the chip.
    """
    for then in earlier:
        for before in then.chips:
            same_chip, same_board = _same_chip(before, chip), _same_board(before, chip)
            if same_chip == same_board or not (before.chip_serial and chip.chip_serial):
                continue
            alike, differing = _compared(failing, before)
            if len(alike) <= len(differing):
                continue
            if told := _told(alike, chip, (run, *earlier), stayed=same_board):
                yield Move(same_board, then.run_id, before.slot, before.chip_serial, told)
                break


def _told(
    alike: tuple[str, ...], chip: ChipRecord, runs: Iterable[RunRecord], *, stayed: bool
) -> tuple[str, ...]:
    """Leave out tables that passed nowhere else: a wrong design stays, and follows, everywhere.

    Several designs that fail alike on one board with two chips need no pass on another board.
    """
    same = _same_board if stayed else _same_chip
    passed = {
        f"{outcome.design}/{outcome.table}"
        for other in (other for run in runs for other in run.chips if not same(other, chip))
        for outcome in other.outcomes
        if outcome.attempts and not is_failure(outcome)
    }
    told = tuple(table for table in alike if table in passed)
    several = len({table.partition("/")[0] for table in alike}) > 1
    return told or (alike if stayed and several else ())


def exchanges(run: RunRecord, before: RunRecord) -> Iterator[Exchange]:
    """Yield pairs of slots that have the same chips as before and each other's failures.

    A pair of nearly equal runs is asked about: "were these two exchanged?".
    """
    now = {chip.slot: chip for chip in run.chips}
    then = {chip.slot: chip for chip in before.chips if _untouched(chip, now.get(chip.slot))}
    for first, second in combinations(then, 2):
        for fixed, broken in ((first, second), (second, first)):
            tables, differing = _compared(_failures(now[broken]), then[fixed])
            clean = not _failures(now[fixed]) and not _failures(then[broken])
            if clean and tables and not differing:
                yield Exchange(before.run_id, (fixed, broken), tables)


def same_answer(one: Outcome, other: Outcome) -> bool:
    """Whether two failures of one table are the same failure."""
    if (one.design, one.table, one.table_sha256) != (other.design, other.table, other.table_sha256):
        return False
    signatures = _signatures(one) & _signatures(other)
    return bool(signatures) or (_first(one) is not None and _first(one) == _first(other))


def _compared(
    failing: Sequence[Outcome], before: ChipRecord
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Tables that failed alike, and those that failed now and were something else before."""
    then = {(outcome.design, outcome.table): outcome for outcome in before.outcomes}
    alike: list[str] = []
    differing: list[str] = []
    for outcome in failing:
        other = then.get((outcome.design, outcome.table))
        if other is None or other.table_sha256 != outcome.table_sha256 or not other.attempts:
            continue
        same = is_failure(other) and same_answer(outcome, other)
        (alike if same else differing).append(f"{outcome.design}/{outcome.table}")
    return tuple(alike), tuple(differing)


def _failures(chip: ChipRecord) -> list[Outcome]:
    return [outcome for outcome in chip.outcomes if is_failure(outcome)]


def is_failure(outcome: Outcome) -> bool:
    """Whether a run of the table had a mismatch or a floating pin, whatever the verdict is."""
    return bool(outcome.floating) or any(attempt.mismatches for attempt in outcome.attempts)


def _same_chip(one: ChipRecord, other: ChipRecord) -> bool:
    return bool(one.chip_serial) and one.chip_serial == other.chip_serial


def _same_board(one: ChipRecord, other: ChipRecord) -> bool:
    """Whether it is the same board; without serial numbers the slot tells."""
    if one.board_serial and other.board_serial:
        return one.board_serial == other.board_serial
    return one.slot == other.slot


def _untouched(before: ChipRecord, now: ChipRecord | None) -> bool:
    return now is not None and _same_chip(before, now) and _same_board(before, now)


def _signatures(outcome: Outcome) -> set[str]:
    return {attempt.signature for attempt in outcome.attempts if attempt.mismatches}


def _first(outcome: Outcome) -> object:
    """First wrong cycle and its pins, where every run with mismatches agrees."""
    firsts = {
        (attempt.first_cycle, attempt.first_wrong)
        for attempt in outcome.attempts
        if attempt.mismatches and attempt.first_wrong
    }
    return firsts.pop() if len(firsts) == 1 else None

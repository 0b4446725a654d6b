"""How probable one table's answer is under each hypothesis.

One rule: every constant of the likelihood stands in :class:`Odds`; priors stand in ``CauseKind``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.blame.book import Book
from harness.blame.seen import Answer, Seen

Floats = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Odds:
    """The constants of the likelihood; ``J`` is the overlap of pin sets, ``d`` how far counts are.

    Of a pass: where the table was predicted to pass, to fail in every power-up state with one
    answer or with several, to fail in some. Of a failure: the same signature; other mismatches,
    times J squared and exp(-4 d), and less where another design would answer; an answer that
    depends on the power-up state, times exp(-2 d), the share of wrong pins that were predicted
    and that of pins predicted in every state, squared; predicted to pass.
    """

    passed: float = 0.99
    passed_always: float = 1e-4
    passed_varying: float = 2e-3
    passed_sometimes: float = 0.2
    same: float = 0.8
    other: float = 0.006
    other_exact: float = 1e-4
    varying: float = 0.2
    varying_unreset: float = 0.02
    never: float = 1e-9
    unstable: float = 0.02
    unstable_varying: float = 0.2
    joint: float = 0.1
    turned_unstable: float = 0.3
    floating: float = 0.98
    floating_differs: float = 0.002
    released_differs: float = 1e-4
    flaky_pass: float = 0.4
    flaky_same: float = 0.02
    flaky_other: float = 1e-6
    flaky_unstable: float = 0.5
    flaky_released: float = 0.01
    masked_pass: float = 0.3
    masked_within: float = 0.3
    masked_near: float = 0.03
    masked_far: float = 0.005
    unknown_pass: float = 0.5
    unknown_fail: float = 1.5e-4
    defect: float = 1e-5
    defect_pass: float = 0.5
    defect_fail: float = 0.5
    defect_floats: float = 0.05


ODDS = Odds()


def passes(book: Book) -> Floats:
    """Log-probability that each table passes, ``(tables, hypotheses)``."""
    some = book.fails.any(axis=2)
    always = np.where(book.varies, ODDS.passed_varying, ODDS.passed_always)
    computed = np.where(book.always, always, np.where(some, ODDS.passed_sometimes, ODDS.passed))
    computed = np.where(book.swings, np.maximum(computed, ODDS.masked_pass), computed)
    touched = (book.touched[None, :] & (book.drives | book.tests)[:, None]) != 0
    masked = np.where(touched, ODDS.masked_pass, ODDS.passed)
    return _either(book.known, computed, masked)


def answered(book: Book, seen: Seen, chosen: Index) -> Floats:
    """Log-probability under each of the chosen hypotheses that a table did not pass as it did."""
    row = book.place[seen.key]
    how = _failed if seen.answer is Answer.FAILED else _unstable
    found = how(book, row, seen, chosen)
    floated = (book.floated[row, chosen] == seen.floating).any(axis=1)
    found *= np.where(floated, ODDS.floating, ODDS.floating_differs)
    if seen.answer is Answer.UNSTABLE:  # turned, its selection follows whatever a table drives
        found = np.where(book.turned[chosen], ODDS.turned_unstable, found)
    vague = book.swings[row, chosen] | ~book.known[row, chosen]
    if vague.any():
        found *= book.known[row, chosen]
        found = np.where(vague, np.maximum(found, _masked(book, row, seen, chosen)), found)
    if seen.released:
        found *= np.where(_releases(book, row, seen, chosen), 1, ODDS.released_differs)
    logs: Floats = np.log(found)
    return logs


def _releases(book: Book, row: int, seen: Seen, chosen: Index) -> NDArray[np.bool_]:
    """Whether pins that float in some cycles and are driven in others may do so."""
    pins, known = np.uint32(seen.released), book.known[row, chosen]
    floats = ((pins & ~book.floated[row, chosen]) == 0).any(axis=1)
    possible: NDArray[np.bool_] = (floats | ~known) & ((book.undriven[chosen] & pins) == 0)
    for place in np.flatnonzero((book.undriven != 0) & ((book.undriven & ~pins) == 0)):
        as_open = (book.signature[row, chosen] == book.signature[row, place]).any(axis=1)
        possible &= ~(known & as_open)  # it reads as if it floated in every cycle
    return possible | book.turned[chosen]


def floats(book: Book, seen: Seen, chosen: Index) -> Floats:
    """Log-probability that pins of a passing table follow the pulls."""
    row = book.place[seen.key]
    within = ((seen.floating & ~book.floated[row, chosen]) == 0).any(axis=1)
    return _either(within, ODDS.floating, ODDS.floating_differs)


def _failed(book: Book, row: int, seen: Seen, chosen: Index) -> Floats:
    pins, cycles = book.pins[row, chosen], book.cycles[row, chosen]
    wrong = np.uint32(seen.wrong)
    same = ((book.signature[row, chosen] == seen.tries[0].signature) & (cycles > 0)).any(axis=1)
    overlap = _share(pins & wrong, pins | wrong)
    far = _far(cycles, seen.cycles)
    base = np.where(book.exact[chosen], ODDS.other_exact, ODDS.other)
    other = base * (overlap**2 * np.exp(-4 * far)).max(axis=1)
    union = book.ever[row, chosen]
    within = _share(union & wrong, np.full_like(union, wrong))
    share = np.where(book.unreset[chosen], ODDS.varying_unreset, ODDS.varying)
    common = np.bitwise_and.reduce(pins, axis=1)  # wrong whatever the state, so here as well
    held = np.where(common == 0, 1.0, _share(common & wrong, common))
    varying = share * (within * held) ** 2 * np.exp(-2 * far.min(axis=1)) * book.varies[row, chosen]
    found: Floats = np.where(same, ODDS.same, np.maximum(other, varying)) + ODDS.never
    return found


def _unstable(book: Book, row: int, seen: Seen, chosen: Index) -> Floats:
    """A floating line may answer anything on silicon; what depends on the state may vary too."""
    union = book.ever[row, chosen]
    wrong = np.uint32(seen.wrong)
    within = _share(union & wrong, np.full_like(union, wrong))
    far = _far(book.cycles[row, chosen], seen.cycles).min(axis=1)
    floats = (book.floated[row, chosen] != 0).any(axis=1)
    share = np.where(floats, ODDS.unstable, ODDS.unstable / 10)
    share = np.where(book.varies[row, chosen], ODDS.unstable_varying, share)
    found: Floats = share * within**2 * np.exp(-2 * far) + ODDS.never
    return found


def flaky_passes(book: Book, opens: Index) -> Floats:
    """Log-probability of passes where the contact of a pin comes and goes; ``opens``: open."""
    touched = (book.touched[opens] & (book.drives | book.tests)[:, None]) != 0
    exercised = np.where(book.known[:, opens], book.fails[:, opens].any(axis=2), touched)
    return _either(exercised, ODDS.flaky_pass, ODDS.passed)


def flaky(book: Book, seen: Seen, opens: Index) -> Floats:
    """Log-probability of an answer where the contact of a pin comes and goes."""
    row = book.place[seen.key]
    union = book.ever[row, opens]
    wrong = np.uint32(seen.wrong)
    within = _share(union & wrong, np.full_like(union, wrong)) ** 2
    if seen.answer is Answer.FAILED:
        same = (book.signature[row, opens] == seen.tries[0].signature).any(axis=1)
        found = np.where(same, ODDS.flaky_same, ODDS.flaky_other * within)
        found *= ODDS.flaky_released if seen.released else 1
    else:
        found = ODDS.flaky_unstable * within
    masked = _masked(book, row, seen, opens) * ODDS.flaky_unstable
    logs: Floats = np.log(np.where(book.known[row, opens], found, masked) + ODDS.never)
    return logs


def _masked(book: Book, row: int, seen: Seen, chosen: Index) -> Floats:
    """Where a design has no netlist: only which pins the table drives and tests is known."""
    about, wrong = book.touched[chosen], np.uint32(seen.wrong | seen.floating)
    drives, tests = book.drives[row], book.tests[row]
    untouched = (about & (drives | tests)) == 0
    within = (wrong & ~(about & tests)) == 0
    near = ((wrong & about) != 0) | ((about & drives) != 0)
    found = np.where(near, ODDS.masked_near, ODDS.masked_far)
    found = np.where(within, ODDS.masked_within, found)
    return np.where(untouched, ODDS.never, found)


def one_level_passes(book: Book, held: Index) -> Floats:
    """Log-probability of passes where a pad never drives one level.

    ``held``: hypotheses of its line held at the other level, which show in the same cycles.
    """
    pins = book.touched[held]
    shows = (book.pins[:, held] & pins[:, None]) != 0
    some = np.where(shows.all(axis=2), ODDS.passed_always, ODDS.passed_sometimes)
    computed = np.where(shows.any(axis=2), some, ODDS.passed)
    masked = np.where(pins & book.tests[:, None], ODDS.masked_pass, ODDS.passed)
    return _either(book.known[:, held], computed, masked)


def one_level(book: Book, seen: Seen, held: Index, other: Index) -> Floats:
    """Log-probability of an answer where a pad never drives one level.

    ``held`` and ``other``: hypotheses of its line held at the other level, and at this one. The
    pin floats where it should have the one level, and is driven where it should have the other.
    """
    lows = np.array([book.hypotheses[place].detail == "low" for place in other], dtype=np.bool_)
    row = book.place[seen.key]
    pins = book.touched[held]
    shows, drives = ((book.ever[row, held] & pins) != 0 for held in (held, other))
    known = book.known[row, held]
    wrong = (np.uint32(seen.wrong | seen.floating) == pins) & (shows | ~known)
    wrong &= (seen.wrong == 0) | (((seen.low & pins) != 0) == lows)
    alike = book.fails[row, held] & (book.signature[row, held] == seen.tries[0].signature)
    wrong |= alike.any(axis=1)
    told = (seen.floating & pins) != 0
    apart = ((seen.released & pins) != 0) == drives
    found = np.where(told, ODDS.floating, ODDS.floating_differs)
    found *= np.where(apart | ~known, 1, ODDS.released_differs)
    if seen.answer is Answer.UNSTABLE:
        found = np.full_like(found, ODDS.unstable)
    logs: Floats = np.log(np.where(wrong, found, 0) + ODDS.never)
    return logs


def unknown_passes(book: Book, about: NDArray[np.uint32]) -> Floats:
    """Log-probability of passes under a fault that no hypothesis describes, at some pins."""
    touched = (about & (book.drives | book.tests)[:, None]) != 0
    return _either(touched, ODDS.unknown_pass, ODDS.passed)


def unknown(book: Book, seen: Seen, about: NDArray[np.uint32]) -> Floats:
    """Log-probability of an answer under a fault that no hypothesis describes, at some pins."""
    row = book.place[seen.key]
    touched = (about & (book.drives[row] | book.tests[row])) != 0
    return _either(touched, ODDS.unknown_fail, ODDS.never)


def joint(book: Book, seen: Seen, chosen: Index) -> Floats:
    """Log-probability of a failure under each two of the chosen hypotheses, both of which show.

    What two faults give together is not predicted: only that pins of either are wrong.
    """
    row, wrong = book.place[seen.key], np.uint32(seen.wrong)
    pins = book.ever[row, chosen]
    both = pins[:, None] | pins[None, :]
    shows = (pins[:, None] != 0) & (pins[None, :] != 0)
    overlap = _share(both & wrong, both | wrong)
    found: Floats = np.log(np.where(shows, ODDS.joint * overlap**3, 0) + ODDS.never)
    return found


def _either(where: NDArray[np.bool_], one: Floats | float, other: Floats | float) -> Floats:
    """Log of one probability where something holds, and of another elsewhere."""
    logs: Floats = np.log(np.where(where, one, other))
    return logs


def _share(part: NDArray[np.uint32], whole: NDArray[np.uint32]) -> Floats:
    """Bits of one mask as a share of another's; 0 where that has none."""
    found: Floats = np.bitwise_count(part) / np.maximum(np.bitwise_count(whole), 1)
    return found


def _far(cycles: NDArray[np.int64], seen: int) -> Floats:
    """How far predicted numbers of wrong cycles are from the one seen, 0 to 1."""
    found: Floats = np.abs(cycles - seen) / np.maximum(np.maximum(cycles, seen), 1)
    return found

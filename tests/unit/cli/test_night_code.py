"""The exit code of a night, from what it changed, what it could not test and its margins."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.cli import ExitCode
from harness.cli.run_codes import night_code
from harness.jobs.night_margins import NightMargins
from harness.judge import Change, NightChanges
from harness.records import ChipRecord, MarginDrop, Outcome, Reason, RunRecord, Verdict
from tests.unit.judge.samples import chip_of, good_chip, wrong_at
from tests.unit.store.margins import margin
from tests.unit.store.samples import heading

PASSING = chip_of("PK-01", good_chip)
_WRONG = chip_of("PK-02", wrong_at(1))
FAILING = replace(_WRONG, outcomes=tuple(replace(one, rules="1") for one in _WRONG.outcomes))
EMPTY = replace(PASSING, outcomes=())
TROUBLED = replace(PASSING, trouble="nothing came back")

NOTHING_NEW = NightChanges("r0", (), (), (), (), ())
NO_MARGINS = NightMargins()
DROP = MarginDrop("PK-01", "follow", 1e3, 2e3, 1e2, 1.5e3)
SEARCHED = margin(1, 2e3)


def change(now: Verdict, *, known: bool) -> Change:
    outcome: Outcome = PASSING.outcomes[0]
    place = (outcome.slot, outcome.chip_serial, outcome.design, outcome.table)
    return Change(*place, Verdict.PASS, now, known, Reason.SAME_MISMATCH, "")


NEW_FAIL = replace(NOTHING_NEW, newly_failing=(change(Verdict.FAIL, known=False),))
NEW_UNSTABLE = replace(NOTHING_NEW, unstable=(change(Verdict.UNSTABLE, known=False),))
NEW_ERROR = replace(NOTHING_NEW, untested=(change(Verdict.ERROR, known=False),))
KNOWN = replace(
    NOTHING_NEW,
    newly_fixed=(change(Verdict.PASS, known=False),),
    unstable=(change(Verdict.UNSTABLE, known=True),),
    untested=(change(Verdict.ERROR, known=True),),
    unchanged=(change(Verdict.FAIL, known=True),),
)


def run_of(*chips: ChipRecord) -> RunRecord:
    return replace(heading(), chips=chips)


@pytest.mark.parametrize(
    ("changes", "chips", "margins", "code"),
    [
        (NOTHING_NEW, (PASSING,), NO_MARGINS, ExitCode.ALL_PASS),
        (KNOWN, (PASSING, FAILING), NO_MARGINS, ExitCode.ALL_PASS),
        (NOTHING_NEW, (PASSING, EMPTY), NO_MARGINS, ExitCode.ALL_PASS),
        (NOTHING_NEW, (PASSING,), NightMargins((SEARCHED,)), ExitCode.ALL_PASS),
        (NOTHING_NEW, (PASSING,), NightMargins(drops=(DROP,), known=1), ExitCode.ALL_PASS),
        (NEW_FAIL, (FAILING,), NO_MARGINS, ExitCode.CHIP_FAILED),
        (NEW_UNSTABLE, (FAILING,), NO_MARGINS, ExitCode.CHIP_FAILED),
        (NOTHING_NEW, (PASSING,), NightMargins(drops=(DROP,)), ExitCode.CHIP_FAILED),
        (NOTHING_NEW, (PASSING,), NightMargins(drops=(DROP, DROP), known=1), ExitCode.CHIP_FAILED),
        (NEW_ERROR, (PASSING,), NO_MARGINS, ExitCode.NOT_TESTED),
        (NOTHING_NEW, (EMPTY, EMPTY), NO_MARGINS, ExitCode.NOT_TESTED),
        (NOTHING_NEW, (), NO_MARGINS, ExitCode.NOT_TESTED),
        (NOTHING_NEW, (PASSING, TROUBLED), NO_MARGINS, ExitCode.NOT_TESTED),
        (NOTHING_NEW, (PASSING,), NightMargins(trouble="no supply"), ExitCode.NOT_TESTED),
        (
            NOTHING_NEW,
            (PASSING,),
            NightMargins((SEARCHED, replace(SEARCHED, trouble="board lost"))),
            ExitCode.NOT_TESTED,
        ),
    ],
    ids=[
        "nothing",
        "all of it known or fixed",
        "a chip without outcomes beside one that has some",
        "margins as usual",
        "a known loss of margin",
        "a new FAIL",
        "a new UNSTABLE",
        "a lost margin",
        "a lost margin beside a known one",
        "a new ERROR",
        "no chip with outcomes",
        "no chip",
        "a chip's trouble",
        "margins that could not be searched",
        "a search that broke off",
    ],
)
def test_what_the_code_of_a_night_is(
    changes: NightChanges, chips: tuple[ChipRecord, ...], margins: NightMargins, code: ExitCode
) -> None:
    assert night_code(changes, run_of(*chips), margins) is code


@pytest.mark.parametrize(
    ("changes", "margins"),
    [(NEW_FAIL, NO_MARGINS), (NEW_ERROR, NightMargins(drops=(DROP,)))],
    ids=["a new FAIL", "a lost margin"],
)
def test_a_failure_counts_before_everything_that_could_not_be_tested(
    changes: NightChanges, margins: NightMargins
) -> None:
    both = replace(margins, trouble="no supply")
    untested = replace(changes, untested=NEW_ERROR.untested)
    assert night_code(untested, run_of(TROUBLED, EMPTY), both) is ExitCode.CHIP_FAILED

"""The exit codes of every command, and how a finished run becomes one."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum

from harness.judge import NightChanges
from harness.night_margins import NightMargins
from harness.store import ChipRecord, MarginRecord, RunRecord, Verdict


class ExitCode(IntEnum):
    """What a command's exit status means to a script.

    ======  =====================================================================
    code    meaning
    ======  =====================================================================
    0       every table of every chip is PASS or WAIVED; every limit at its clock or above
    1       some table is FAIL or UNSTABLE (this counts before anything else), or a limit is
            below its clock; at night: something that the baseline does not have
    2       the command was used wrongly, or a file that a person wrote is wrong
    3       something could not be tested: board, link, store, or the run was stopped
    ======  =====================================================================
    """

    ALL_PASS = 0
    CHIP_FAILED = 1
    BAD_INPUT = 2
    NOT_TESTED = 3


_FAILED = {Verdict.FAIL, Verdict.UNSTABLE}
_UNTESTED = {Verdict.ERROR, Verdict.NOT_RUN}


def exit_code(run: RunRecord) -> ExitCode:
    """Return the code of a run. A chip without an outcome, or a run without end, passed nothing."""
    found = {outcome.verdict for chip in run.chips for outcome in chip.outcomes}
    if found & _FAILED:
        return ExitCode.CHIP_FAILED
    whole = bool(run.chips) and run.finished is not None
    if not whole or found & _UNTESTED or any(_untested(chip) for chip in run.chips):
        return ExitCode.NOT_TESTED
    return ExitCode.ALL_PASS


def _untested(chip: ChipRecord) -> bool:
    return bool(chip.trouble) or not chip.outcomes


def margin_code(records: Sequence[MarginRecord]) -> ExitCode:
    """Return the code of searches: a limit below the declared clock counts before trouble.

    A board that does not come to the declared clock has tested nothing.
    """
    if any(record.below_declared for record in records):
        return ExitCode.CHIP_FAILED
    untested = any(record.trouble or record.short for record in records)
    return ExitCode.NOT_TESTED if untested or not records else ExitCode.ALL_PASS


def night_code(changes: NightChanges, run: RunRecord, margins: NightMargins) -> ExitCode:
    """Return the code of a night: as for a run, but what the baseline has does not count.

    A margin that is lost counts as a failure, a search that broke off as something untested.
    """
    if changes.failed_anew or margins.lost_anew:
        return ExitCode.CHIP_FAILED
    tested = any(chip.outcomes for chip in run.chips)
    if changes.untested_anew or not tested or any(chip.trouble for chip in run.chips):
        return ExitCode.NOT_TESTED
    if margins.broken:
        return ExitCode.NOT_TESTED
    return ExitCode.ALL_PASS

"""The exit codes of a finished run, search, night or rehearsal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import harness
from harness.cli.exit_code import ExitCode
from harness.records import ChipRecord, MarginRecord, Rehearsal, RehearsalResult, RunRecord


def exit_code(run: RunRecord) -> ExitCode:
    """Return a run's code; a chip without outcomes, or an unfinished run, has not been tested.

    A provisional verdict fails no chip: what it is due to could not be worked out.
    """
    if any(outcome.verdict.failed and not outcome.unsettled for outcome in run.outcomes):
        return ExitCode.CHIP_FAILED
    whole = bool(run.chips) and run.finished is not None and not run.cancelled
    judged = all(outcome.verdict.judged and not outcome.unsettled for outcome in run.outcomes)
    if not whole or not judged or any(_untested(chip) for chip in run.chips):
        return ExitCode.NOT_TESTED
    return ExitCode.ALL_PASS


def _untested(chip: ChipRecord) -> bool:
    return bool(chip.trouble) or not chip.outcomes


def margin_code(records: Sequence[MarginRecord]) -> ExitCode:
    """Return the code of searches: a limit below the declared clock outranks trouble.

    A board that does not reach the declared clock has tested nothing.
    """
    if any(record.below_declared for record in records):
        return ExitCode.CHIP_FAILED
    untested = any(record.trouble or record.short for record in records)
    return ExitCode.NOT_TESTED if untested or not records else ExitCode.ALL_PASS


def night_code(
    changes: harness.NightChanges, run: RunRecord, margins: harness.NightMargins
) -> ExitCode:
    """Return the code of a night: as for a run, but what the baseline has does not count.

    A lost margin counts as a failure, an incomplete search as something untested.
    """
    if any(outcome.unsettled for outcome in run.outcomes):
        return ExitCode.NOT_TESTED
    if changes.has_new_failures or margins.lost_anew:
        return ExitCode.CHIP_FAILED
    tested = any(chip.outcomes for chip in run.chips)
    if changes.has_newly_untested or not tested or any(chip.trouble for chip in run.chips):
        return ExitCode.NOT_TESTED
    if margins.broken or run.cancelled:
        return ExitCode.NOT_TESTED
    return ExitCode.ALL_PASS


def rehearsal_code(rehearsals: Iterable[Rehearsal]) -> ExitCode:
    """Return the code of rehearsals; a table without a netlist to run on counts as passed."""
    done = list(rehearsals)
    if any(one.bad for one in done):
        return ExitCode.CHIP_FAILED
    unusable = any(one.result is RehearsalResult.NOT_REHEARSED for one in done)
    return ExitCode.NOT_TESTED if unusable else ExitCode.ALL_PASS

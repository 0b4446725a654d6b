"""The exit codes of every command."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What a command's exit status means to a script.

    ======  =====================================================================
    code    meaning
    ======  =====================================================================
    0       every table of every chip is PASS or WAIVED; every limit at its clock or above
    1       some table is FAIL or UNSTABLE (this counts before anything else), or a limit is
            below its clock; at night: a failure that the baseline does not have
    2       the command was used wrongly, or an input file has a mistake
    3       something could not be tested: board, link, store, or the run was stopped
    ======  =====================================================================
    """

    ALL_PASS = 0
    CHIP_FAILED = 1
    BAD_INPUT = 2
    NOT_TESTED = 3

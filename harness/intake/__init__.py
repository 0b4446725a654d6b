"""Intake of new chips: a guided session, its journal, the pin check, and the record of a chip."""

from harness.intake.asking import Ask
from harness.intake.bench import Means
from harness.intake.journal import Heading, Journal
from harness.intake.order import Plan, load_plan
from harness.intake.record import ChipIntake
from harness.intake.session import MOST_WRONG, Intake, Terminal
from harness.intake.sitting import (
    Left,
    begin,
    changed_error,
    check_store,
    files_of,
    find_left,
    give_up,
    lock_names,
    overlapping,
    read_shelf,
)
from harness.intake.steps import PinState, Result, StepResult, title_of

__all__ = [
    "MOST_WRONG",
    "Ask",
    "ChipIntake",
    "Heading",
    "Intake",
    "Journal",
    "Left",
    "Means",
    "PinState",
    "Plan",
    "Result",
    "StepResult",
    "Terminal",
    "begin",
    "changed_error",
    "check_store",
    "files_of",
    "find_left",
    "give_up",
    "load_plan",
    "lock_names",
    "overlapping",
    "read_shelf",
    "title_of",
]

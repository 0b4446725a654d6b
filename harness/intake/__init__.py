"""Intake of new chips: a guided session, its journal, the pin check, and the record of a chip."""

from harness.intake.asking import Ask
from harness.intake.bench import IntakeMeans
from harness.intake.journal import Journal, JournalHeading
from harness.intake.order import IntakePlan, load_plan
from harness.intake.record import ChipIntake
from harness.intake.session import MAX_WRONG_ANSWERS, Intake, Questioner
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
    read_journals,
)
from harness.intake.steps import Result, StepResult, title_of

__all__ = [
    "MAX_WRONG_ANSWERS",
    "Ask",
    "ChipIntake",
    "Intake",
    "IntakeMeans",
    "IntakePlan",
    "Journal",
    "JournalHeading",
    "Left",
    "Questioner",
    "Result",
    "StepResult",
    "begin",
    "changed_error",
    "check_store",
    "files_of",
    "find_left",
    "give_up",
    "load_plan",
    "lock_names",
    "overlapping",
    "read_journals",
    "title_of",
]

"""Intake of new chips: a guided session, its journal, the pin check, and the record of a chip."""

from harness.intake.asking import Aside, Ask, Over, Work, upcoming
from harness.intake.files import changed_error, changed_files, files_of
from harness.intake.journal import FileSum, Heading, Journal
from harness.intake.machine import advance
from harness.intake.model import (
    BAD_PINS,
    Kind,
    PinFinding,
    PinState,
    Result,
    Step,
    StepResult,
)
from harness.intake.order import Plan, intake_tables, load_plan, pin_tables, without_intake
from harness.intake.pins import DesignRunner, check_pins
from harness.intake.progress import (
    Event,
    Halted,
    Lost,
    Measured,
    Progress,
    Replied,
    Signed,
    Stage,
    TakenUp,
    Worked,
)
from harness.intake.record import ChipIntake
from harness.intake.session import MOST_WRONG, Hasher, Intake, StillAside, Terminal
from harness.intake.sitting import (
    Left,
    Shelf,
    begin,
    check_store,
    find_left,
    give_up,
    lock_names,
    overlapping,
    read_shelf,
)
from harness.intake.steps import CAUTIONS, NEEDED, RESEATING, STEPS, SWITCHING_OFF, title_of

__all__ = [
    "BAD_PINS",
    "CAUTIONS",
    "MOST_WRONG",
    "NEEDED",
    "RESEATING",
    "STEPS",
    "SWITCHING_OFF",
    "Aside",
    "Ask",
    "ChipIntake",
    "DesignRunner",
    "Event",
    "FileSum",
    "Halted",
    "Hasher",
    "Heading",
    "Intake",
    "Journal",
    "Kind",
    "Left",
    "Lost",
    "Measured",
    "Over",
    "PinFinding",
    "PinState",
    "Plan",
    "Progress",
    "Replied",
    "Result",
    "Shelf",
    "Signed",
    "Stage",
    "Step",
    "StepResult",
    "StillAside",
    "TakenUp",
    "Terminal",
    "Work",
    "Worked",
    "advance",
    "begin",
    "changed_error",
    "changed_files",
    "check_pins",
    "check_store",
    "files_of",
    "find_left",
    "give_up",
    "intake_tables",
    "load_plan",
    "lock_names",
    "overlapping",
    "pin_tables",
    "read_shelf",
    "title_of",
    "upcoming",
    "without_intake",
]

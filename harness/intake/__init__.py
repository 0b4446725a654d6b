"""Intake of new chips: a guided session, its journal, the pin check, and the record of a chip."""

from harness.intake.journal import Journal
from harness.intake.machine import (
    Ask,
    Event,
    Over,
    Progress,
    Replied,
    Work,
    Worked,
    advance,
    interrupted,
    upcoming,
)
from harness.intake.model import (
    BAD_PINS,
    CAUTIONS,
    NEEDED,
    STEPS,
    ChipIntake,
    Kind,
    PinFinding,
    PinState,
    Result,
    Step,
    StepResult,
    title_of,
)
from harness.intake.order import intake_tables, pin_tables, without_intake
from harness.intake.pins import DesignRunner, check_pins
from harness.intake.session import Hasher, Intake, Terminal

__all__ = [
    "BAD_PINS",
    "CAUTIONS",
    "NEEDED",
    "STEPS",
    "Ask",
    "ChipIntake",
    "DesignRunner",
    "Event",
    "Hasher",
    "Intake",
    "Journal",
    "Kind",
    "Over",
    "PinFinding",
    "PinState",
    "Progress",
    "Replied",
    "Result",
    "Step",
    "StepResult",
    "Terminal",
    "Work",
    "Worked",
    "advance",
    "check_pins",
    "intake_tables",
    "interrupted",
    "pin_tables",
    "title_of",
    "upcoming",
    "without_intake",
]

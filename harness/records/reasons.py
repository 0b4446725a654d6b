"""The reasons for verdicts, in one table.

One rule: a reason is added here and nowhere else. Stores keep the codes and other programs read
them, so a code is never renamed or reused.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self

from harness.errors import netlist_advice
from harness.records.verdict import Verdict


class Origin(StrEnum):
    """The likely cause of a verdict that is not PASS."""

    NONE = "none"
    CHIP = "chip"
    BOARD = "board"
    LINK = "link"
    TABLE = "table"
    DESIGN = "design"
    UNKNOWN = "not known"


_NOT_THE_CHIP = "This says nothing about the chip."
_UNSTEADY = (
    "The same stimulus gave different answers. Check that the table resets or loads every "
    "register before testing it, try a lower clock rate or a longer settle time, and check the "
    "supply; then compare with other chips."
)
_LATER = "Run the table again once the cause is resolved."


_Columns = tuple[str, Verdict, Origin, str, str]


def _blameless(code: str, origin: Origin, meaning: str, advice: str) -> _Columns:
    """Give the columns of an ERROR that says nothing about the chip."""
    return code, Verdict.ERROR, origin, meaning, f"{_NOT_THE_CHIP} {advice}"


def _not_begun(code: str, meaning: str, advice: str = _LATER) -> _Columns:
    """Give the columns of a reason why a table was not run."""
    return code, Verdict.NOT_RUN, Origin.NONE, meaning, advice


class Reason(StrEnum):
    """Why a verdict is as it is: a code that other programs may rely on.

    ``verdicts`` are the verdicts that it goes with, ``origin`` is the likely cause, ``meaning`` a
    line of the reference. ``advice`` says what to do next.
    """

    verdicts: tuple[Verdict, ...]
    origin: Origin
    meaning: str
    advice: str

    def __new__(
        cls,
        code: str,
        verdicts: tuple[Verdict, ...] | Verdict,
        origin: Origin,
        meaning: str,
        advice: str = "",
    ) -> Self:
        """Attach the other columns to the code."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.verdicts = (verdicts,) if isinstance(verdicts, Verdict) else verdicts
        member.origin, member.meaning, member.advice = origin, meaning, advice
        return member

    AS_EXPECTED = (
        "as-expected",
        Verdict.PASS,
        Origin.NONE,
        "All tested outputs were as expected in every run.",
    )
    SAME_MISMATCH = (
        "same-mismatch",
        Verdict.FAIL,
        Origin.UNKNOWN,
        "Every run had the same mismatches.",
        (
            "One table on one chip cannot tell a faulty chip from a mistake in the design or "
            "in the table. Run the same table on other chips: if they pass, suspect this "
            "chip; if they fail in the same cycles, suspect the design or the table."
        ),
    )
    ANSWERS_DIFFER = (
        "answers-differ",
        Verdict.UNSTABLE,
        Origin.UNKNOWN,
        "Runs of the same stimulus gave different answers.",
        _UNSTEADY,
    )
    FIRST_RUN_DIFFERS = (
        "first-run-differs",
        Verdict.UNSTABLE,
        Origin.UNKNOWN,
        "The first of three or more runs gave another answer; all later ones agree.",
        _UNSTEADY,
    )
    CHIP_DEFECT = (
        "chip-defect",
        Verdict.FAIL,
        Origin.CHIP,
        "The table passes on other chips, and only a defect in this chip explains the slot.",
        "Keep the chip apart. Its other designs may be used: their tables say which.",
    )
    FOLLOWS_CHIP = (
        "follows-chip",
        Verdict.FAIL,
        Origin.CHIP,
        "In an earlier run the same chip failed alike on another board.",
        "Keep the chip apart: the failure followed it from one board to another.",
    )
    STAYS_WITH_BOARD = (
        "stays-with-board",
        Verdict.ERROR,
        Origin.BOARD,
        "In an earlier run the same board failed alike with another chip.",
        (
            "This says nothing about the chip. Check the socket, the board and its wiring, and "
            "run the table on another board."
        ),
    )
    CHIP_OR_DESIGN = (
        "chip-or-design",
        Verdict.FAIL,
        Origin.UNKNOWN,
        "Chip or design: no fault of board or wiring explains it; no other chip passes the table.",
        "Run the table on other chips: if it passes there, this chip is defective.",
    )
    WIRING_NOT_PROVEN = (
        "wiring-not-proven",
        Verdict.FAIL,
        Origin.UNKNOWN,
        "Wiring not proven: nothing else that ran in the slot clears board and contacts.",
        (
            "Run tables of other designs in this slot, or the continuity test, before the chip "
            "is blamed."
        ),
    )
    TABLE_FAILS_REHEARSAL = (
        "table-fails-rehearsal",
        Verdict.FAIL,
        Origin.TABLE,
        "The table fails on its own design's netlist too, so no chip is to blame.",
        "Correct the table or the design; `harness rehearse` says where they disagree.",
    )
    TABLE_ALIKE = (
        "table-alike",
        (Verdict.FAIL, Verdict.UNSTABLE),
        Origin.TABLE,
        "Most of the tested chips answer alike: table or design, not a chip.",
        "Check the table, its settings and the design before any chip.",
    )
    DESIGN_ALIKE = (
        "design-alike",
        (Verdict.FAIL, Verdict.UNSTABLE),
        Origin.DESIGN,
        "Most of the tested chips answer alike, and the table passes on the design's netlist.",
        "Check the design, its clock rate and its netlist before any chip.",
    )
    DESIGN_MARGIN = (
        "design-margin",
        Verdict.FAIL,
        Origin.UNKNOWN,
        "Several chips, fewer than most, answer alike: the design's margin, or the lot.",
        "Search the design's margins on these chips, and compare their lots.",
    )
    UNSTABLE_HERE = (
        "unstable-here",
        Verdict.UNSTABLE,
        Origin.UNKNOWN,
        "Answers differ from run to run in one design, and no contact explains where.",
        "Run the table more often here, and with the chip in another slot.",
    )
    WIRING_OPEN = _blameless(
        "wiring-open",
        Origin.BOARD,
        "A pin has no connection between controller and chip, or its pad is dead.",
        "Switch the power off and reseat the chip; then exchange it.",
    )
    CONTACT_SUSPECTED = _blameless(
        "contact-suspected",
        Origin.BOARD,
        "A pin connects only at times.",
        "Switch the power off, clean the contact and reseat the chip.",
    )
    BOARD_SUSPECTED = _blameless(
        "board-suspected",
        Origin.BOARD,
        "A fault of the board explains what the slot answered.",
        "Check the board where the cause says, then run the tables again.",
    )
    PROFILE_SUSPECTED = _blameless(
        "profile-suspected",
        Origin.BOARD,
        "Most boards of the run show the same fault: the profile, or the boards' revision.",
        "Compare the profile's pins with the board's drawing.",
    )
    WRONG_CHIP = _blameless(
        "wrong-chip",
        Origin.BOARD,
        "The chip answers as one of another shuttle.",
        "Read the marking on the chip, and check which shuttle it belongs to.",
    )
    NOT_SETTLED = (
        "not-settled",
        Verdict.ERROR,
        Origin.UNKNOWN,
        "Chip, board or contact: what was seen does not tell them apart.",
        "Do what the cause proposes; the next run says what it settled.",
    )
    PINS_OPEN = (
        "pins-open",
        Verdict.ERROR,
        Origin.BOARD,
        "Every wrong pin follows the weak pulls where the design should drive it.",
        (
            "No connection between chip and controller on that pin, or a dead output driver: "
            "switch the power off, take the usual precautions against static electricity, "
            "reseat the chip and look for bent pins; then try the chip in another slot. If "
            "the fault stays with the board, check the board's wiring of that pin; if it "
            "moves with the chip, the chip's output is dead."
        ),
    )
    LINK_LOST = _blameless(
        "link-lost",
        Origin.LINK,
        "Host and board could not communicate, so the table was not completed.",
        "Check the cable and the board's supply, then run the table again.",
    )
    TABLE_UNFIT = _blameless(
        "table-unfit",
        Origin.TABLE,
        "The board cannot run the table as its settings demand.",
        "Correct the table or its settings and run again.",
    )
    CONTENTION = _blameless(
        "contention",
        Origin.TABLE,
        "On the design's netlist, controller and chip drive a pin at the same time.",
        (
            "Two drivers would fight, so nothing was run. Release the pin in "
            "these rows with `Z`, `X` or `F`; if the fight is meant, write contention = "
            '"intended" in the table\'s section of design.toml.'
        ),
    )
    NO_MODEL = _blameless(
        "no-model",
        Origin.BOARD,
        "The virtual chip has no model of the design, or none that works.",
        (
            "Run the table on a real board, or write netlist = "
            f'"netlist.json" in design.toml and {netlist_advice("DESIGN")}.'
        ),
    )
    TOOL_FAULT = _blameless(
        "tool-fault",
        Origin.UNKNOWN,
        "The tool itself failed; the run's log has a traceback.",
        (
            "Report it to the maintainers of harness, with the traceback in "
            "the run's log, and run the table again."
        ),
    )
    RECORD_DAMAGED = (
        "record-damaged",
        Verdict.ERROR,
        Origin.UNKNOWN,
        "The stored record of the table is damaged.",
        "Restore the store from a backup, or run the table again.",
    )
    WAIVED = (
        "waived",
        Verdict.WAIVED,
        Origin.UNKNOWN,
        "A waiver covers every wrong pin.",
        "A known failure; its owner is responsible for it until the waiver expires.",
    )
    RUN_STOPPED = _not_begun("run-stopped", "The run was stopped by hand.")
    RUN_BROKE_OFF = _not_begun(
        "run-broke-off", "The run broke off before the table, or has not reached it yet."
    )
    BOARD_UNUSABLE = _not_begun(
        "board-unusable",
        "The slot's board could not be reached, did not come back, or is the wrong one.",
    )
    LINK_LOST_BEFORE = _not_begun(
        "link-lost-before",
        "In earlier tables the link was lost more often than the slot tolerates.",
    )
    FAULT_BEFORE = _not_begun(
        "fault-before",
        "An earlier table ended the slot's work with a fault other than a lost link.",
    )
    STOPPED_AFTER_FAILURE = _not_begun(
        "stopped-after-failure",
        "The intake stopped, as requested, after a table that did not pass.",
    )
    CHIP_MOVED = _not_begun(
        "chip-moved",
        "The table passed before the chip was taken off its board, and must run again.",
    )
    NOT_PART = _not_begun(
        "not-part", "In nights only: the baseline has the table, the night does not.", ""
    )

"""Cards of an intake: what is handed out with a chip that passed, and why another is kept.

The one rule: :func:`card_html` decides from the record alone; there is no way to ask for a
hand-out card.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import segno

from harness.errors import StoreError, many
from harness.intake import ChipIntake, Result, StepResult, title_of
from harness.records import ChipRecord, PinState, RunRecord, Verdict
from harness_reports.handovers import wakes_text
from harness_reports.html import chip_html, page_html
from harness_reports.looks import Fact, Look, look
from harness_reports.names import safe_name
from harness_reports.secrets import Scrubber
from harness_reports.texts import moment
from harness_reports.write import remove_file, write_file

HANDED_OUT, HELD = "Hand-out card", "Hold card"
MAX_TEXT = 120
"""Maximum number of characters of one text on a card; the journal has the full text."""

MAX_TRIES = 3
"""Maximum number of earlier bad tries on a card, failures first; the journal has all tries."""

LINE, ROOMY_LINES = 70, 24
"""Characters of a line on paper, and how many lines fit on a card without small print."""

_STYLES = ("style.css", "card.css")


@dataclass(frozen=True)
class Checked:
    """One thing that was checked, or was not; ``word`` says which."""

    word: str
    title: str
    text: str


@dataclass(frozen=True)
class CardPage:
    """What is on a card and its label. ``code`` is the QR symbol's path, ``side`` its size."""

    intake: ChipIntake
    kind: str
    look: Look
    headline: str
    reasons: tuple[str, ...]
    facts: tuple[Fact, ...]
    checked: tuple[Checked, ...]
    unchecked: tuple[Checked, ...]
    skipped: str
    code: str
    side: int

    @property
    def crowded(self) -> bool:
        """Whether it takes small print for the card to stay on one sheet."""
        texts = (*self.reasons, *(line.text for line in (*self.checked, *self.unchecked)))
        return sum(1 + len(text) // LINE for text in texts) > ROOMY_LINES


@dataclass(frozen=True)
class WrittenCard:
    """Where a chip's card and label are; ``kind`` says which card it is.

    ``report`` has the hash on the card: it is written once, while the pages of a run are written
    again when the run is resumed.
    """

    kind: str
    card: Path
    label: Path
    report: Path


def qr_text(intake: ChipIntake) -> str:
    """Give what the QR code carries: serial, run id and report hash, a line each."""
    return (
        f"chip {intake.chip.chip_serial}\n"
        f"run {intake.run.run_id}\n"
        f"report sha256:{intake.report_sha256}"
    )


def card_html(intake: ChipIntake) -> bytes:
    """Return the card, one A4 page: a hand-out card only if the chip passed its intake."""
    return page_html("card.html.jinja", build_card(intake), _STYLES)


def label_html(intake: ChipIntake) -> bytes:
    """Return the same as a label of 90 mm by 38 mm."""
    return page_html("label.html.jinja", build_card(intake), (*_STYLES, "label.css"))


def report_of(run: RunRecord, slot: str) -> bytes:
    """Return the report whose hash is on the card, without secrets, as UTF-8."""
    shown = Scrubber().record(run)
    return chip_html(shown, next(chip for chip in shown.chips if chip.slot == slot))


def write_card(intake: ChipIntake, folder: Path) -> WrittenCard:
    """Write card and label to ``folder``; an earlier card of the chip is removed first.

    Raises StoreError naming the folder and the reason.
    """
    name = safe_name(intake.chip.chip_serial)
    shown = Scrubber().record(intake)
    kind = build_card(shown).kind
    stem = "handout" if kind == HANDED_OUT else "hold"
    card, label = folder / f"{name}-{stem}.html", folder / f"{name}-{stem}-label.html"
    report = folder / f"{name}-report.html"
    data = report_of(intake.run, intake.chip.slot)
    if hashlib.sha256(data).hexdigest() != intake.report_sha256:
        raise StoreError(f"{report}: the report is not the one that was hashed")
    for old in ("handout", "handout-label", "hold", "hold-label"):
        remove_file(folder / f"{name}-{old}.html", folder)
    write_file(report, data, folder)
    write_file(label, label_html(shown), folder)
    write_file(card, card_html(shown), folder)
    return WrittenCard(kind, card, label, report)


def build_card(intake: ChipIntake) -> CardPage:
    """Work out everything that a card says."""
    reasons = intake.hold_reasons
    lines = _lines(intake)
    done = {Result.DONE.value, Result.FAILED.value}
    code, side = _code(qr_text(intake))
    return CardPage(
        intake=intake,
        kind=HELD if reasons else HANDED_OUT,
        look=Look("HOLD", "fail") if reasons else look(Verdict.PASS),
        headline=_headline(intake),
        skipped=_skipped(intake),
        reasons=tuple(_short(reason, 2 * MAX_TEXT) for reason in reasons),
        facts=_facts(intake),
        checked=tuple(line for line in lines if line.word in done),
        unchecked=(*(line for line in lines if line.word not in done), *_unproven(intake)),
        code=code,
        side=side,
    )


def _lines(intake: ChipIntake) -> list[Checked]:
    """List every step in order, its earlier tries first."""
    lines: list[Checked] = []
    bad = [old for old in reversed(intake.earlier) if old.result is not Result.DONE]
    shown = sorted(bad, key=lambda old: old.result is not Result.FAILED)[:MAX_TRIES]
    kept = {id(old) for old in shown}  # equal tries are told apart by identity
    for step in intake.results:
        title = title_of(step.key)
        tries = enumerate((old for old in intake.earlier if old.key == step.key), 1)
        lines += [_checked(old, f"{title}, try {k}") for k, old in tries if id(old) in kept]
        lines.append(_checked(step, title))
    left = len(intake.earlier) - len(shown)
    if left:
        lines.append(Checked("earlier", "Other tries", f"{left} more in the journal"))
    return lines


def _checked(step: StepResult, title: str) -> Checked:
    return Checked(step.result.value, title, _short(step.text))


def _short(text: str, most: int = MAX_TEXT) -> str:
    """Cut a text where it shows."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _headline(intake: ChipIntake) -> str:
    if intake.hold_reasons:
        return "Do not hand out."
    verdicts = [outcome.verdict for outcome in intake.chip.outcomes]
    waived = verdicts.count(Verdict.WAIVED)
    text = f"Passed its intake: {many(len(verdicts), 'table')} run"
    ending = f"{waived} failed under a waiver." if waived else "all passed."
    skipped = _skipped(intake)
    return f"{text}, {ending} {skipped}." if skipped else f"{text}, {ending}"


def _skipped(intake: ChipIntake) -> str:
    """How many steps were skipped, in words; empty if none was."""
    number = sum(step.result is Result.SKIPPED for step in intake.results)
    return f"{many(number, 'step')} skipped" if number else ""


def _facts(intake: ChipIntake) -> tuple[Fact, ...]:
    run, chip = intake.run, intake.chip
    wakes = f"The board {wakes_text(intake.wakes)}." if intake.wakes else ""
    return (
        Fact("Shuttle", _short(f"{run.shuttle}, {run.organisation}")),
        Fact("Checked by", _names(intake.by)),
        Fact("When", moment(intake.at.replace(microsecond=0))),
        Fact("Board and slot", f"{_board(chip)}, {chip.slot}"),
        Fact("At power-up", _short(wakes, 2 * MAX_TEXT)),
        Fact("Run", run.run_id, "code"),
        Fact("Report, SHA-256", intake.report_sha256, "code"),
        Fact("Tool", f"harness {run.tool_version}"),
    )


def _names(names: tuple[str, ...]) -> str:
    """Join as many names as fit on a line, and count the rest."""
    shown = [_short(name, 60) for name in names]
    most = next((k for k in range(len(shown), 1, -1) if len(", ".join(shown[:k])) <= MAX_TEXT), 1)
    left = len(shown) - most
    more = [f"and {left} more, in the journal"] if left else []
    return ", ".join([*shown[:most], *more])


def _board(chip: ChipRecord) -> str:
    """Name the board that answered, or the one in the rack file that did not."""
    if chip.agent_version:
        return chip.board_serial or "board without a serial number"
    return f"{chip.board_serial or 'board'} did not answer"


def _unproven(intake: ChipIntake) -> tuple[Checked, ...]:
    pins = [pin.pin for pin in intake.pins if pin.state is PinState.NOT_PROVEN]
    lines = [Checked("not proven", "Pins", ", ".join(pins))] if pins else []
    if intake.uncovered:
        number = many(len(intake.uncovered), "design")
        named = f"{number} without an intake table: {', '.join(intake.uncovered)}"
        lines.append(Checked("not checked", "Designs", _short(named)))
    limits = Checked(
        "not checked",
        "Beyond this intake",
        "speed, temperature, and anything no intake table tests",
    )
    return (*lines, limits)


def _code(text: str) -> tuple[str, int]:
    """Draw a QR symbol (ISO/IEC 18004) with its quiet zone of four modules, as one SVG path."""
    rows = list(segno.make_qr(text, error="m").matrix_iter(border=4))
    runs = [f"M{x} {y}h1v1h-1z" for y, row in enumerate(rows) for x, dark in enumerate(row) if dark]
    return "".join(runs), len(rows)

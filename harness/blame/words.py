"""Causes in plain words.

One rule: nothing is decided here; every kind of cause has its sentence in one table.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.blame.moves import Exchange, Move
from harness.blame.slot import Explanation, Idea
from harness.records import CauseKind

MAX_ODDS = 100_000
_SAYS = {
    CauseKind.OPEN: "{pins} does not reach the {end}",
    CauseKind.OPEN_NEIGHBOURS: "{pins} do not reach the {end}",
    CauseKind.STUCK: "{pins} is held {detail}",
    CauseKind.SHORT: "{pins} are shorted",
    CauseKind.EXCHANGED: "{pins} are exchanged",
    CauseKind.FLAKY_CONTACT: "{pins} connects only at times",
    CauseKind.NO_CLOCK: "the chip gets no clock ({pins})",
    CauseKind.RESET_HELD: "the chip is held in reset ({pins})",
    CauseKind.RESET_NEVER: "no reset reaches the chip ({pins})",
    CauseKind.SELECTION: "the selection line {pins} is dead ({detail})",
    CauseKind.SELECTION_BIT: "the design selection has {detail}",
    CauseKind.NO_SUPPLY: "the chip has no supply, or none of it responds",
    CauseKind.OTHER_MAP: "the pins are wired as on another board ({detail})",
    CauseKind.TURNED: "the chip is seated the wrong way round",
    CauseKind.OTHER_SHUTTLE: "the chip is of another shuttle ({detail})",
    CauseKind.BOARD_UNKNOWN: "a fault of the board of no known kind{at}",
    CauseKind.DEAD_PAD: "the chip's pad {pins} is dead",
    CauseKind.ONE_LEVEL_PAD: "the chip's pad {pins} never drives {detail}",
}


def idea_text(idea: Idea, outputs: Iterable[str]) -> str:
    """Say one idea; ``outputs`` are the pins that only the chip drives."""
    ends = {pin in set(outputs) for pin in idea.pins}
    return _SAYS[idea.kind].format(
        pins=listed(idea.pins),
        detail=idea.detail or "dead",
        end="controller" if ends == {True} else "chip",
        at=f" at {listed(idea.pins)}" if idea.pins else "",
    )


def explanation_text(explanation: Explanation, outputs: Sequence[str]) -> str:
    """Say one explanation: board first, then designs."""
    parts = [idea_text(idea, outputs) for idea in explanation.ideas]
    designs = sorted(explanation.designs)
    if designs:
        parts.append(f"this chip has a defect in {listed(designs)}")
    return ", and ".join(parts) or "nothing is wrong"


def earlier_text(move: Move | None, exchange: Exchange | None) -> str:
    """What earlier runs add: whom an exchange convicts, or whether one was made unrecorded."""
    text = ""
    if move is not None and move.stayed:
        text = (
            f" This board failed alike with chip {move.chip} in run {move.run_id}: the failure "
            "stays with the board."
        )
    elif move is not None:
        text = (
            f" This chip failed alike in slot {move.slot} in run {move.run_id}: the failure "
            "follows the chip."
        )
    if exchange is not None:
        first, second = exchange.slots
        text += (
            f" Were the chips of {first} and {second} exchanged? {second} fails now as {first} did "
            f"in run {exchange.run_id}, and {first} passes."
        )
    return text


def listed(names: Sequence[str], most: int = 4) -> str:
    """``a``, ``a and b``, ``a, b and 5 more``."""
    shown = [*names[:most], *([f"{len(names) - most} more"] if len(names) > most else [])]
    return " and ".join(([", ".join(shown[:-1])] if shown[1:] else []) + shown[-1:])


def odds_text(odds: float) -> str:
    """Odds with two digits; beyond 100,000 to 1 they would claim more than the rules know."""
    if not odds <= MAX_ODDS:
        return f"over {MAX_ODDS:,} : 1"
    return f"{float(f'{odds:.2g}'):,g} : 1"

"""What would settle a slot: which slot to exchange the chip with, and which tables to run then.

One rule: a partner is a slot whose own chip passes these tables; few tables, of two designs if
there are two, the shortest first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from harness.blame.book import Key
from harness.blame.finding import Finding
from harness.blame.seen import Answer, Seen

MAX_ASKED = 3
"""Maximum number of tables that an experiment asks for."""


def tables_to_ask(finding: Finding, lengths: Mapping[Key, int]) -> tuple[Key, ...]:
    """Return bad tables that tell the rivals apart: each is blamed on another part by some."""
    bad = [seen for seen in finding.slot.judged if seen.bad]
    bad.sort(key=lambda seen: (not _parting(finding, seen), lengths.get(seen.key, 0)))
    chosen: dict[str, Key] = {}
    for seen in bad:
        chosen.setdefault(seen.design, seen.key)
    return tuple(chosen.values())[:MAX_ASKED]


def _parting(finding: Finding, seen: Seen) -> bool:
    """Whether the explanations at odds that matter put this table down to different things."""
    return len({seen.design in explanation.designs for explanation in finding.near}) > 1


def partner(slot: str, asked: Sequence[Key], seen: Iterable[Seen], bad: Iterable[str]) -> str:
    """Return the slot to exchange the chip with; empty if no other chip passes these tables.

    ``bad`` are slots in which something else is wrong: they come last.
    """
    passed: dict[str, set[Key]] = {}
    for each in seen:
        if each.slot != slot and each.answer is Answer.PASSED and not each.floating:
            passed.setdefault(each.slot, set()).add(each.key)
    fit = [other for other, keys in passed.items() if set(asked) <= keys]
    troubled = set(bad)
    return min(fit, key=lambda other: other in troubled, default="") if asked else ""

"""The reference has every kind of cause, with its party and its prior."""

from __future__ import annotations

from pathlib import Path

from harness.records import CauseKind

PAGE = Path(__file__).parents[3] / "reports" / "README.md"


def test_the_reference_lists_every_kind_of_cause_with_its_prior() -> None:
    part = PAGE.read_text(encoding="utf-8").partition("## Causes\n")[2].partition("\n##")[0]
    rows = [line for line in part.splitlines() if line.startswith("| `")]
    assert rows == [
        f"| `{kind}` | {kind.party} | {kind.prior:g} | {kind.meaning} |" for kind in CauseKind
    ]

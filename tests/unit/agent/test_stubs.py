"""There is a stub beside each of the agent's sources; ``stubs.py`` checks what they say."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[3]
AGENT = ROOT / "harness" / "agent"
ON_CPYTHON = {"__init__", "bundle", "cpython", "faces"}
"""Modules that never reach a board and are typed inline."""


def test_every_module_for_the_board_has_a_stub_and_no_other_has() -> None:
    modules = {path.stem for path in AGENT.glob("*.py")} - ON_CPYTHON
    assert {path.stem for path in AGENT.glob("*.pyi")} == modules

"""The stubs beside the agent's sources say what the sources do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.unit.agent.micropython import FAKE_BOARD

ROOT = Path(__file__).parents[3]
AGENT = ROOT / "harness" / "agent"
ON_CPYTHON = {"__init__", "bundle", "cpython", "faces"}
"""Modules that never reach a board and are typed inline."""


def test_every_module_for_the_board_has_a_stub_and_no_other_has() -> None:
    modules = {path.stem for path in AGENT.glob("*.py")} - ON_CPYTHON
    assert {path.stem for path in AGENT.glob("*.pyi")} == modules


def test_stubs_agree_with_the_sources() -> None:
    names = [f"harness.agent.{path.stem}" for path in sorted(AGENT.glob("*.pyi"))]
    done = subprocess.run(
        [sys.executable, "-m", "mypy.stubtest", *names],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{FAKE_BOARD}"},
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr

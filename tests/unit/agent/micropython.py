"""Runs scripts under the real MicroPython interpreter."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

FAKE_BOARD = Path(__file__).parent / "fake_board"
INTERPRETER = Path(sys.executable).parent / "micropython"

needs_micropython = pytest.mark.skipif(
    not INTERPRETER.exists(), reason="no MicroPython wheel for this machine"
)


def run(script: str, folder: Path, *arguments: str, heap: str = "2m") -> str:
    """Run a script and return its output. The fake ``machine`` module can be imported."""
    path = folder / "script.py"
    path.write_text(script, encoding="utf-8")
    done = subprocess.run(
        [INTERPRETER, "-X", f"heapsize={heap}", path, *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        cwd=folder,
        env={**os.environ, "MICROPYPATH": f"{FAKE_BOARD}:.frozen"},
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout

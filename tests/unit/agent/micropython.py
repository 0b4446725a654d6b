"""Runs scripts under the real MicroPython interpreter."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.agent.backends import THUMB, backend, sent_texts, slim, texts

ROOT = Path(__file__).parents[3]
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


def without_thumb(name: str) -> list[str]:
    """The texts of a backend that any processor takes."""
    about = backend(name)
    return list(texts(replace(about, needs=tuple(n for n in about.needs if n not in THUMB))))


def with_numbers(name: str, script: str) -> str:
    """Put numbers in place of names into a script, as into the texts of a backend."""
    known = dict[str, ast.expr]()
    for module in sent_texts(backend(name)):
        slim((ROOT / f"harness/agent/{module}.py").read_text(encoding="utf-8"), (), known)
    return slim(script, (), known)


def run_twice(
    name: str, modules: Sequence[str], scenario: str, folder: Path
) -> tuple[list[Any], list[Any]]:
    """Run a scenario with a backend's texts on MicroPython, and with these modules on CPython.

    Returns the lines of JSON that each printed.
    """
    found = without_thumb(name)
    for number, text in enumerate(found):
        (folder / f"text{number}.py").write_text(text, encoding="utf-8")
    on_board = f"""
for number in range({len(found)}):
    with open("text%d.py" % number) as file:
        exec(file.read(), globals())
"""
    on_host = f"""
import importlib
for name in {list(modules)}:
    module = importlib.import_module(name)
    globals().update({{k: v for k, v in vars(module).items() if not k.startswith("__")}})
"""
    done = subprocess.run(
        [sys.executable, "-c", on_host + scenario],
        capture_output=True,
        text=True,
        check=True,
        cwd=folder,
        env={"PYTHONPATH": f"{ROOT}:{FAKE_BOARD}"},
        timeout=60,
    )
    board, host = run(on_board + with_numbers(name, scenario), folder), done.stdout
    return [json.loads(line) for line in board.splitlines()], [
        json.loads(line) for line in host.splitlines()
    ]

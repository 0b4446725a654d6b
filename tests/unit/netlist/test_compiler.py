"""Compiled code: kept from one process to the next, and where no folder can keep it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from harness.netlist.compiler import compiled


def test_functions_are_compiled_even_where_nothing_can_be_cached() -> None:
    """Numba finds no folder for the cache of a function that comes from no file."""
    space: dict[str, Callable[[int], int]] = {}
    exec(compile("def double(value): return 2 * value", "<no file>", "exec"), space)
    assert compiled(space["double"])(21) == 42


DOUBLING = """
import sys
from harness.netlist import news_if_compiled
from harness.netlist.compiler import compiled, inlined

@inlined
def times(factor, value):
    return factor * value

@compiled
def double(value):
    return times(2, value)

@compiled
def triple(value):
    return times(3, value)

with news_if_compiled(print):
    print(double(21), triple(14), "numba.np.arraymath" in sys.modules)
"""
NEWS = "compiling what evaluates gates for this computer; once only, it takes up to a minute"


def test_a_second_process_loads_what_was_compiled_and_not_the_compiler_s_own_library(
    tmp_path: Path,
) -> None:
    (tmp_path / "doubling.py").write_text(DOUBLING)
    printed = [
        subprocess.run(
            [sys.executable, "-B", "-c", "import doubling"],
            capture_output=True,
            text=True,
            check=True,
            cwd=tmp_path,
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
        ).stdout
        for _ in range(2)
    ]
    assert printed == [f"{NEWS}\n42 42 True\n", "42 42 False\n"], "the news is true, and comes once"
    kept = sorted(path.name.partition("-")[0] for path in tmp_path.rglob("*.nbc"))
    assert kept == ["doubling.double", "doubling.triple"], "what they call is a part of them"

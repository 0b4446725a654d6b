"""Compiled code, where no folder can keep it."""

from __future__ import annotations

from collections.abc import Callable

from harness.netlist.compiler import compiled


def test_functions_are_compiled_even_where_nothing_can_be_cached() -> None:
    """Numba finds no folder for the cache of a function that comes from no file."""
    space: dict[str, Callable[[int], int]] = {}
    exec(compile("def double(value): return 2 * value", "<no file>", "exec"), space)
    assert compiled(space["double"])(21) == 42

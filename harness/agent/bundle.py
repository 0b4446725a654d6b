"""Turns the agent's modules into a few texts that a board's interpreter can take in turn.

All modules share one namespace on the board, so relative imports fall away, and so do
docstrings and annotations. Runs on the host only; the agent does not need it.
"""

from __future__ import annotations

import ast
import re
import threading
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources

MODULES = ("protocol", "buffers", "unpack", "planes", "codec", "engine", "server", "main")
"""In the order in which they go to the board: each needs only those before it."""

PINS_AT = MODULES.index("engine")
"""Where the pins module and its helpers come in."""

BACKENDS = ("generic", "rp2", "virtual")
HELPERS = {"rp2": ("rp2_chip", "rp2_timing", "rp2_stream", "rp2_plan")}
"""Modules that a pins module needs, in the order in which they go before it."""

_ONE_AT_A_TIME = threading.Lock()
"""Slots start together; some versions of CPython 3.11 cannot parse in two threads at once."""


def bundle(backend: str) -> tuple[str, ...]:
    """Return the texts to execute on the board, in order, for a pins backend.

    Raises ValueError for an unknown backend. Any thread may call.
    """
    with _ONE_AT_A_TIME:
        return _make_bundle(backend)


@lru_cache
def _make_bundle(backend: str) -> tuple[str, ...]:
    if backend not in BACKENDS:
        raise ValueError(f"no pins module called {backend!r}; there are: {', '.join(BACKENDS)}")
    folder = resources.files(__package__)
    pins = (*HELPERS.get(backend, ()), f"pins_{backend}")
    names = (*MODULES[:PINS_AT], *pins, *MODULES[PINS_AT:])
    return tuple(slim((folder / f"{name}.py").read_text(encoding="utf-8")) for name in names)


def slim(source: str) -> str:
    """Leave out of a module what a board does not need."""
    tree = _Slimmer().visit(ast.parse(source))
    text = re.sub("\n\n+", "\n", ast.unparse(ast.fix_missing_locations(tree)) + "\n")
    return re.sub(r"^( {4})+", lambda indent: " " * (len(indent[0]) // 4), text, flags=re.MULTILINE)


MICROPYTHON = {"addressof": "uctypes"} | dict.fromkeys(
    ("ticks_add", "ticks_diff", "ticks_ms", "ticks_us"), "time"
)
"""Where a board has what ``cpython`` stands in for; the rest is part of its compiler."""
HOST_ONLY = ("__future__", "collections.abc", "typing")
"""Modules that MicroPython has not: what is imported from them is for annotations."""
VIPER = {"int": "int", "Table": "ptr32"}
"""Annotations that mean something to the emitter; all else is an object to it, as without one."""


class _Slimmer(ast.NodeTransformer):
    def visit_ImportFrom(self, node: ast.ImportFrom) -> ast.AST | list[ast.ImportFrom]:
        if node.level and node.module == "cpython":
            return [
                ast.ImportFrom(module, [name], 0)
                for name in node.names
                if (module := MICROPYTHON.get(name.name))
            ]
        return ast.Pass() if node.level or node.module in HOST_ONLY else node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        if isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            return ast.Pass()
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        return ast.Assign([node.target], node.value) if node.value else ast.Pass()

    def visit_Module(self, node: ast.Module) -> ast.AST:
        return self._without_passes(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        return self._without_passes(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        known = VIPER if node.decorator_list else {}
        node.returns = _told(node.returns, known)
        for argument in (*node.args.args, *node.args.kwonlyargs):
            argument.annotation = _told(argument.annotation, known)
        return self._without_passes(node)

    def _without_passes(self, node: ast.Module | ast.ClassDef | ast.FunctionDef) -> ast.AST:
        self.generic_visit(node)
        node.body = [n for n in node.body if not isinstance(n, ast.Pass)] or [ast.Pass()]
        return node


def _told(annotation: ast.expr | None, known: Mapping[str, str]) -> ast.expr | None:
    """What the emitter is told of an argument."""
    if isinstance(annotation, ast.Name) and annotation.id in known:
        return ast.Name(known[annotation.id])
    return None

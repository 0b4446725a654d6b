"""Turns the agent's modules into a few texts that a board's interpreter can take in turn.

All modules share one namespace on the board, so relative imports fall away, and so do
docstrings and annotations. Runs on the host only; the agent does not need it.
"""

from __future__ import annotations

import ast
import re
import threading
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


class _Slimmer(ast.NodeTransformer):
    def visit_ImportFrom(self, node: ast.ImportFrom) -> ast.AST | None:
        return ast.Pass() if node.level else node

    def visit_Expr(self, node: ast.Expr) -> ast.AST | None:
        if isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            return ast.Pass()
        return self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        if not node.decorator_list:
            node.returns = None
            for argument in (*node.args.args, *node.args.kwonlyargs):
                argument.annotation = None
        node = self._generic(node)
        node.body = [n for n in node.body if not isinstance(n, ast.Pass)] or [ast.Pass()]
        return node

    def _generic(self, node: ast.FunctionDef) -> ast.FunctionDef:
        self.generic_visit(node)
        return node

"""The host's view of pins modules: what each can do, and the texts that a board needs for it.

A module says what it can do in a literal, ``ABOUT``, which is read from its source, because the
module may import what only MicroPython has. On the board all modules share one namespace, so
relative imports are stripped, as are docstrings and annotations. Runs on the host only.
"""

from __future__ import annotations

import ast
import builtins
import re
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from importlib import import_module, resources
from types import MappingProxyType
from typing import Any, TypeGuard

from harness.agent.faces import CycleFace, PlanFace, RoomFace

BACKENDS = ("generic", "rp2", "sio", "virtual")
"""The registry: every name that a profile may give, of ``pins_NAME.py`` beside this file."""

MODULES = ("protocol", "buffers", "unpack", "planes", "codec", "engine", "server", "main")
"""In the order of the upload: each needs only those before it."""

PINS_AT = MODULES.index("server")
"""Where the pins module and its helpers are inserted."""

THUMB = ("thumb", "thumb_rp2", "thumb_in")
"""Modules with functions that replace those of the same name where they go to a board."""

STORED = ("main", "started")
"""The last modules on a board that starts a design by itself; it needs no server."""


@dataclass(frozen=True)
class Controller:
    """A controller: the module with its registers, its pins, and its clock under MicroPython."""

    table: str
    pins: int
    clock_hz: int


CONTROLLERS = {
    "RP2040": Controller("rp2040", 30, 125_000_000),
    "RP2350": Controller("rp2350", 30, 150_000_000),
    "RP2350A": Controller("rp2350", 30, 150_000_000),
    "RP2350B": Controller("rp2350", 48, 150_000_000),
}
"""By their names in a profile; the RP2350 has 30 pins unless it is a B."""
ANY = Controller("", 30, 0)
"""A controller of another name."""

_ONE_AT_A_TIME = threading.Lock()
"""Slots start together; some versions of CPython 3.11 cannot parse in two threads at once.

https://github.com/python/cpython/issues/106905
"""


@dataclass(frozen=True)
class Backend:
    """What a pins module can do: the fields of its ``ABOUT``.

    ``exact``: hardware times every cycle, in ticks of ``tick_ns``; else software paces them and
    counts in these. ``ticks`` is the minimum of a cycle, without and with a clock pulse;
    ``rate_hz`` is the fastest rate where a profile names none. ``samples``: outputs can be read at
    a chosen time after the last edge; exact pins take ``sync_ticks`` to see a level and read at
    most ``latest_ticks`` after it. Pins are the controller's first ``pins``, all within one of
    ``windows`` (first and last) if there are any. ``needs`` names modules that go to the board
    before this one. ``controllers``, as a profile names them, are those that it is made for; none:
    any. ``table`` is the module with the registers of the one at hand.
    """

    name: str
    exact: bool
    tick_ns: int | Fraction
    rate_hz: float
    samples: bool
    ticks: tuple[int, int] = (1, 1)
    sync_ticks: int = 0
    latest_ticks: int = 0
    pins: int = 48
    windows: tuple[tuple[int, int], ...] = ()
    needs: tuple[str, ...] = ()
    controllers: tuple[str, ...] = ()
    table: str = ""

    def cycle(self, words: int, ticks: int, settle: int, sample: int) -> CycleFace:
        """Work out a cycle of exact pins, all times in ticks; see ``layout`` of ``rp2_timing``."""
        cycle: CycleFace = self._module().layout(words, ticks, settle, sample)
        return cycle

    def plan(self, memory: RoomFace, words: int, captured: int) -> PlanFace:
        """Make the plan that cuts blocks into bursts; see ``BurstPlan`` of ``rp2_plan``."""
        plan: PlanFace = self._module().BurstPlan(memory, words, captured)
        return plan

    def _module(self) -> Any:
        return import_module(f"{__package__}.pins_{self.name}")


@lru_cache
def backend(name: str, controller: str = "RP2040") -> Backend:
    """Return what a pins module can do on a controller, named as in a profile.

    Raises ValueError for a module that is not registered.
    """
    about = _about(name)
    this = CONTROLLERS.get(controller, ANY)
    about = replace(about, pins=min(about.pins, this.pins))
    if controller not in about.controllers:
        return about
    about = replace(about, table=this.table)
    if not about.exact:
        return about
    rate = this.clock_hz / about.ticks[0]
    return replace(about, tick_ns=Fraction(1_000_000_000, this.clock_hz), rate_hz=rate)


def _about(name: str) -> Backend:
    if name not in BACKENDS:
        raise ValueError(f"no pins module {name!r}; registered: {', '.join(BACKENDS)}")
    with _ONE_AT_A_TIME:
        for statement in ast.parse(_source(f"pins_{name}")).body:
            if _assigns_about(statement):
                return Backend(name, **ast.literal_eval(statement.value))
    raise ValueError(f"pins_{name}.py has no ABOUT")


def pins_of(controller: str) -> int:
    """Return the number of pins of a controller, named as in a profile."""
    return CONTROLLERS.get(controller, ANY).pins


def best_backend(controller: str) -> str:
    """Return the pins module for a profile that names none.

    Of those made for this controller, hardware timing comes first, then the faster one.
    """
    every = [backend(name, controller) for name in BACKENDS]
    made = [about for about in every if controller in about.controllers]
    return max(made, key=lambda about: (about.exact, about.rate_hz)).name if made else "generic"


def texts(about: Backend) -> tuple[str, ...]:
    """Return the texts to execute on the board, in order. Thread-safe."""
    return tuple(sent_texts(about).values())


def sent_texts(about: Backend) -> Mapping[str, str]:
    """Return the same by module."""
    return _texts(about, MODULES[PINS_AT:])


def stored_texts(about: Backend) -> Mapping[str, str]:
    """Return the texts that start a design without a host, by module; otherwise as ``texts``."""
    return _texts(about, STORED)


@lru_cache
def _texts(about: Backend, last: tuple[str, ...]) -> Mapping[str, str]:
    table = (about.table,) if about.table else ()
    modules = (*MODULES[:PINS_AT], *table, *about.needs, f"pins_{about.name}", *last)
    again = frozenset[str]().union(*(_functions(name) for name in modules if name in THUMB))
    known: dict[str, ast.expr] = {}
    with _ONE_AT_A_TIME:
        found = {
            name: slim(_source(name), () if name in THUMB else again, known) for name in modules
        }
        found[modules[0]] = _built_in("".join(found.values())) + found[modules[0]]
    return MappingProxyType(found)


def _built_in(text: str) -> str:
    """Return a line that puts the built-in names of a text among its own.

    MicroPython looks there first, and finds out that a name is missing at the next empty place,
    often after a hundred others.
    """
    used = {node.id for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Name)}
    names = ",".join(sorted(used & vars(builtins).keys()))
    return f"{names} = {names}\n"


@lru_cache
def text_of(module: str) -> str:
    """Return the text of one module for a board, by itself. Thread-safe."""
    with _ONE_AT_A_TIME:
        return slim(_source(module))


@lru_cache
def _functions(module: str) -> frozenset[str]:
    with _ONE_AT_A_TIME:
        found = ast.parse(_source(module)).body
    return frozenset(node.name for node in found if isinstance(node, ast.FunctionDef))


def _source(module: str) -> str:
    return (resources.files(__package__) / f"{module}.py").read_text(encoding="utf-8")


def _assigns_about(node: ast.stmt) -> TypeGuard[ast.Assign]:
    return isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "ABOUT"


def slim(
    source: str, without: Collection[str] = (), known: dict[str, ast.expr] | None = None
) -> str:
    """Strip from a module what a board does not need, and functions that come once more.

    Names of numbers give way to what they stand for, those of modules before in ``known`` too:
    for every name that it loads, MicroPython searches the names of the whole agent.
    """
    tree = _Slimmer({} if known is None else known).visit(ast.parse(source))
    tree.body = [node for node in tree.body if getattr(node, "name", "") not in without]
    text = re.sub("\n\n+", "\n", ast.unparse(ast.fix_missing_locations(tree)) + "\n")
    return re.sub(r"^( {4})+", lambda indent: " " * (len(indent[0]) // 4), text, flags=re.MULTILINE)


MICROPYTHON = {"addressof": "uctypes"} | dict.fromkeys(
    ("sleep_us", "ticks_add", "ticks_diff", "ticks_ms", "ticks_us"), "time"
)
"""The board's modules for names that ``cpython`` replaces; its compiler has the others."""
HOST_ONLY = ("__future__", "collections.abc", "typing")
"""Modules that MicroPython lacks; names imported from them are for annotations."""
VIPER = {"int": "int", "Table": "ptr32"}
"""Annotations that the viper emitter knows; without one of these, an argument is an object."""


class _Slimmer(ast.NodeTransformer):
    def __init__(self, known: dict[str, ast.expr]) -> None:
        self.known = known

    def visit_Name(self, node: ast.Name) -> ast.expr:
        return self.known.get(node.id, node) if isinstance(node.ctx, ast.Load) else node

    def visit_ImportFrom(self, node: ast.ImportFrom) -> ast.AST | list[ast.ImportFrom]:
        if node.level and node.module == "cpython":
            return [
                ast.ImportFrom(module, [name], 0)
                for name in node.names
                if (module := MICROPYTHON.get(name.name))
            ]
        return ast.Pass() if node.level or node.module in HOST_ONLY else node

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        self.generic_visit(node)
        target = node.targets[0]
        if isinstance(target, ast.Name) and target.id.isupper() and _is_number(node.value):
            self.known[target.id] = node.value
            return ast.Pass()
        return ast.Pass() if _assigns_about(node) else node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        if isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            return ast.Pass()
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        return ast.Assign([node.target], node.value) if node.value else ast.Pass()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        emitter = {ast.unparse(n)[12:] for n in node.decorator_list}
        known = VIPER if "viper" in emitter else {}
        node.returns = _emitted(node.returns, known)
        for argument in (*node.args.args, *node.args.kwonlyargs):
            argument.annotation = _emitted(argument.annotation, known)
        if "asm_thumb" not in emitter:
            return self._without_passes(node)
        return _Slimmer({}).visit_Module(node)  # its names are labels

    def _without_passes(self, node: ast.Module | ast.ClassDef | ast.FunctionDef) -> ast.AST:
        self.generic_visit(node)
        node.body = [n for n in node.body if not isinstance(n, ast.Pass)] or [ast.Pass()]
        return node

    visit_Module = visit_ClassDef = _without_passes  # noqa: N815 - the names that ast calls


def _is_number(node: ast.expr) -> bool:
    """Whether this is a whole number, or worked out from such."""
    parts = (ast.operator, ast.unaryop, ast.BinOp, ast.UnaryOp)
    return all(
        isinstance(part, parts) or (isinstance(part, ast.Constant) and type(part.value) is int)
        for part in ast.walk(node)
    )


def _emitted(annotation: ast.expr | None, known: Mapping[str, str]) -> ast.expr | None:
    """Translate an annotation for the emitter, or drop it."""
    if isinstance(annotation, ast.Name) and annotation.id in known:
        return ast.Name(known[annotation.id], ast.Load())
    return None

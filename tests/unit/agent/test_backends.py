"""The texts that go to a board: their names, and that a real interpreter accepts them."""

from __future__ import annotations

import ast
import builtins
import gc
import time
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from zipfile import ZipFile

import pytest

from harness.agent import rp2_timing
from harness.agent.backends import (
    BACKENDS,
    MODULES,
    _texts,
    backend,
    sent_texts,
    slim,
    stored_texts,
    texts,
)
from harness.agent.compiled import COMPILED, compile_agent, compiled, controlled, file_name
from tests.unit.agent.micropython import needs_micropython, run, without_thumb

ROOT = Path(__file__).parents[3]
MOST_BYTES = {"generic": 31_200, "rp2": 61_000, "sio": 42_000, "virtual": 29_000}
"""Maximum size of one upload as text; a controller's memory holds it and its code."""
MOST_COMPILED = {"generic": 20_500, "rp2": 33_000, "sio": 24_500, "virtual": 22_500}
"""Maximum size compiled; reading a byte takes an RP2040 some 13 us."""


def defined(text: str) -> set[str]:
    """Names that a module itself gives a value at its top level, in try blocks too."""
    names: set[str] = set()
    todo: list[ast.stmt] = list(ast.parse(text).body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            parts = (part for target in node.targets for part in ast.walk(target))
            names |= {part.id for part in parts if isinstance(part, ast.Name)}
        elif isinstance(node, ast.Try):
            todo += [*node.body, *node.orelse]
            todo += [statement for handler in node.handlers for statement in handler.body]
    return names


@pytest.mark.parametrize("name", BACKENDS)
def test_no_two_modules_of_an_upload_define_the_same_name(name: str) -> None:
    found = texts(backend(name))
    assert len(found) == len(MODULES) + len(backend(name).needs) + 1 + bool(backend(name).table)
    for one, other in combinations(found, 2):
        assert not defined(one) & defined(other)


@pytest.mark.parametrize("name", BACKENDS)
def test_a_board_that_starts_a_design_by_itself_has_the_same_modules_but_no_server(
    name: str,
) -> None:
    found = stored_texts(backend(name))
    begin, *shared, own = found.values()
    whole = texts(backend(name))
    assert set(shared) < set(whole)
    assert begin.split("\n")[1:] == whole[0].split("\n")[1:]
    assert "server" not in found
    assert not any(defined(own) & defined(text) for text in shared)
    defined_before = set[str]().union(*map(defined, shared))
    assert {"Engine", "Pins", "quiet"} <= defined_before


@pytest.mark.parametrize("name", BACKENDS)
def test_each_module_of_an_upload_needs_only_those_before_it(name: str) -> None:
    """All share one namespace on the board, so a class or table must be there to be used."""
    sent = {"faces", "cpython"}  # for annotations, and what the board has itself
    for module in sent_texts(backend(name)):
        source = ast.parse((ROOT / f"harness/agent/{module}.py").read_text())
        needed = {n.module for n in ast.walk(source) if isinstance(n, ast.ImportFrom) and n.level}
        assert needed <= sent, f"{module} is sent too early"
        sent.add(module)


@pytest.mark.parametrize("name", BACKENDS)
def test_a_board_gets_numbers_in_place_of_their_names(name: str) -> None:
    """And no name may stand for two: those in earlier modules would be of the first."""
    met = dict[str, str]()
    for module in sent_texts(backend(name)):
        for node in ast.parse((ROOT / f"harness/agent/{module}.py").read_text()).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).isupper():
                constant = ast.unparse(node.targets[0])
                assert constant not in met
                met[constant] = ast.unparse(node.value)
    numbers = {constant for constant, value in met.items() if value.isdecimal()}
    assert {"VERSION", "QUANTUM", "MAX_ROWS", "LONG"} <= numbers
    left = {
        n.id for n in ast.walk(ast.parse("".join(without_thumb(name)))) if isinstance(n, ast.Name)
    }
    assert not left & numbers


@pytest.mark.parametrize("name", BACKENDS)
def test_an_agent_finds_every_built_in_name_among_its_own(name: str) -> None:
    text = "".join(texts(backend(name)))
    names = {n.id for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Name)}
    own, found = text.split("\n")[0].split(" = ")
    assert own == found
    assert set(own.split(",")) == names & vars(builtins).keys() > {"len", "memoryview", "min"}


@pytest.mark.parametrize("name", BACKENDS)
def test_an_upload_has_no_docstring_annotation_or_relative_import(name: str) -> None:
    for text in texts(backend(name)):
        for node in ast.walk(ast.parse(text)):
            assert not (isinstance(node, ast.ImportFrom) and node.level)
            if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Module):
                assert ast.get_docstring(node) is None
            assert not isinstance(node, ast.AnnAssign)
            if isinstance(node, ast.FunctionDef):
                assert node.decorator_list or node.returns is None
                assert {ast.unparse(a.annotation) for a in node.args.args if a.annotation} <= (
                    {"int", "ptr32"} if node.decorator_list else set()
                )
    assert sum(len(text) for text in texts(backend(name))) <= MOST_BYTES[name]


def test_the_exact_pins_do_as_their_about_says() -> None:
    about = backend("rp2")
    assert about.ticks == (rp2_timing.PLAIN_TICKS, rp2_timing.PULSED_TICKS)
    assert about.ticks == tuple(about.cycle(words, 0, 0, 0).ticks for words in (1, 2))
    assert about.rate_hz == 1e9 / (about.tick_ns * about.ticks[0])
    assert about.sync_ticks == rp2_timing.SYNC_TICKS
    assert about.latest_ticks == rp2_timing.MAX_LOOP - rp2_timing.SYNC_TICKS


def test_slots_that_start_together_get_the_same_texts() -> None:
    """The parser counts its depth once for all threads in some versions of CPython 3.11.

    https://github.com/python/cpython/issues/106905; here another thread gets its turn whenever
    memory is tidied, also in the middle of a tree.
    """
    _texts.cache_clear()
    threshold = gc.get_threshold()

    def give_way(phase: str, info: object) -> None:
        time.sleep(0)

    gc.callbacks.append(give_way)
    gc.set_threshold(40)
    try:
        with ThreadPoolExecutor(8) as pool:
            found = list(pool.map(texts, [backend("virtual")] * 8))
    finally:
        gc.callbacks.remove(give_way)
        gc.set_threshold(*threshold)
    assert len(set(found)) == 1


def test_an_unknown_backend_is_named_with_those_that_exist() -> None:
    with pytest.raises(ValueError, match="no pins module") as caught:
        backend("steam")
    assert str(caught.value) == ("no pins module 'steam'; registered: " + ", ".join(BACKENDS))


def test_the_wheel_brings_the_sources_that_a_board_needs_and_compiled_ones(tmp_path: Path) -> None:
    """``harness`` is packed as a folder; no source of an upload may be missing."""
    builder = pytest.importorskip("hatchling.builders.wheel").WheelBuilder(str(ROOT))
    (wheel,) = builder.build(directory=str(tmp_path), versions=["standard"])
    with ZipFile(wheel) as packed:
        names = set(packed.namelist())
        brought = {name: packed.read(name) for name in names if name.endswith(".mpy")}
    assert brought == {
        f"harness/agent/compiled/{file_name(name, number)}": compile_agent(name, number)
        for name, numbers in COMPILED.items()
        for number in numbers
    }
    agent = {path.name for path in (ROOT / "harness" / "agent").iterdir() if path.is_file()}
    assert {f"harness/agent/{name}" for name in agent} <= names
    assert "harness/py.typed" in names


def test_an_editable_installation_has_no_copies_of_files(tmp_path: Path) -> None:
    builder = pytest.importorskip("hatchling.builders.wheel").WheelBuilder(str(ROOT))
    (wheel,) = builder.build(directory=str(tmp_path), versions=["editable"])
    with ZipFile(wheel) as packed:
        names = {name for name in packed.namelist() if ".dist-info/" not in name}
        assert {str(packed.read(name), "utf-8") for name in names} == {f"{ROOT}\n{ROOT}/reports"}


@pytest.mark.parametrize(("name", "number"), [(n, k) for n in COMPILED for k in COMPILED[n]])
def test_a_compiled_agent_is_for_its_interpreter_only_and_others_get_the_texts(
    name: str, number: int
) -> None:
    version, about = 6 | 3 << 8, controlled(name, number)
    code = compiled(about, version | number << 10)
    assert code is not None
    assert code[:3] == bytes((ord("M"), 6, number << 2 | 3))
    assert len(code) <= MOST_COMPILED[name]
    assert compiled(about, 6 | 2 << 8 | number << 10) is None, "native code of an older format"
    assert compiled(about, 7 | 3 << 8 | number << 10) is None, "a later version"
    assert compiled(about, version | 15 << 10) is None, "an unknown architecture"
    assert compiled(about, version) is None, "an interpreter without native code"
    assert compiled(about, 0) is None, "no MicroPython"


def test_the_agent_for_another_controller_is_not_brought_compiled() -> None:
    """The text goes there instead, to refuse in words."""
    for name, own, other in (("rp2", "RP2350B", 4), ("sio", "RP2040", 7)):
        assert compiled(backend(name, own), 6 | 3 << 8 | other << 10) is None


@pytest.mark.parametrize("name", ["rp2", "sio"])
def test_only_the_table_of_the_boards_controller_is_uploaded(name: str) -> None:
    tables = {"RP2040": "rp2040", "RP2350": "rp2350", "RP2350B": "rp2350"}
    for controller, table in tables.items():
        sent = sent_texts(backend(name, controller))
        assert [t for t in ("rp2040", "rp2350") if t in sent] == [table]
        assert not tables.keys() & sent_texts(backend("generic", controller)).keys()


def test_a_pins_module_takes_its_rate_and_its_pins_from_the_controller() -> None:
    for controller, pins, rate in (("RP2040", 30, 31.25e6), ("RP2350B", 48, 37.5e6)):
        exact = backend("rp2", controller)
        assert (exact.pins, exact.rate_hz) == (pins, rate)
        assert exact.tick_ns * exact.ticks[0] * Fraction(exact.rate_hz) == 1_000_000_000
    assert backend("sio", "RP2350B").pins == 32
    assert [backend("generic", c).pins for c in ("RP2350A", "RP2350B", "another")] == [30, 48, 30]


def test_without_a_compiler_boards_get_the_texts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.agent.compiled.find_spec", lambda _: None)
    compile_agent.cache_clear()
    assert compiled(backend("rp2"), 6 | 3 << 8 | 4 << 10) is None
    compile_agent.cache_clear()


def test_slimming_does_not_change_what_a_module_does() -> None:
    source = '''
"""Doc."""
from .other import thing
import os
LIMIT = 3
"""About it."""
TWICE = LIMIT << 1
MOST = max(TWICE, LIMIT)
def double(x: int) -> int:
    """Doc."""
    return 2 * x
def nothing() -> None:
    """Doc."""
'''
    slimmed = slim(source)
    assert "Doc" not in slimmed
    assert "other" not in slimmed
    names: dict[str, object] = {}
    exec(slimmed, names)
    assert names["MOST"] == 6
    double, nothing = names["double"], names["nothing"]
    assert callable(double)
    assert callable(nothing)
    assert double(4) == 8
    assert nothing() is None


@needs_micropython
@pytest.mark.parametrize("name", BACKENDS)
def test_the_real_interpreter_takes_every_text_of_an_upload(name: str, tmp_path: Path) -> None:
    found = without_thumb(name)
    for number, text in enumerate(found):
        (tmp_path / f"text{number}.py").write_text(text, encoding="utf-8")
    script = f"""
for number in range({len(found)}):
    with open("text%d.py" % number) as file:
        text = file.read()
    exec(text, globals())
print(Server.__name__, Engine.__name__, Pins.name, AGENT, callable(begin))
"""
    assert run(script, tmp_path).split()[:3] == ["Server", "Engine", name]

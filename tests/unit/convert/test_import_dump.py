"""Dumps of four simulators become tables that are right, cycle by cycle.

The dumps and logs in ``dumps/`` were made by ``dumps/make.sh`` with Icarus Verilog 11.0,
Verilator 5.48, GHDL 2.0 and amaranth 0.5.10. A log has a line for each rising edge of the clock:
the inputs and outputs that the simulator had just before it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from vcd.reader import TokenKind, tokenize
from vcdvcd import VCDVCD

from harness.convert import Edge, Recipe, Sample, Wanted
from harness.convert.dump_read import Batch, Dump, open_dump, same_variable, stream
from harness.errors import InputError
from harness.records import RehearsalResult
from tests.unit.convert.imports import cycles_of, design_folder, imported, rows_of

DUMPS = Path(__file__).parent / "dumps"
KEPT = sorted(path.name for path in DUMPS.iterdir() if path.suffix in {".vcd", ".fst"})
INPUTS = ("clr_n", "load_n", "enp", "ent", "d")
WIDTHS = {"q": 4, "rco": 1}
_TESTED = str.maketrans("HLX", "10x")
_DEFAULT = str.maketrans("xu", "00")


def agrees(table: Path, log: Path) -> Counter[str]:
    """Compare a table with a simulator's log; counts the bits known and tested of each output."""
    lines = [line.lower().split() for line in log.read_text().splitlines() if line]
    cycles = list(cycles_of(table, INPUTS, ("q",), ("rco",)))
    left_out = len(lines) - len(cycles)
    assert left_out >= 0
    bits: Counter[str] = Counter()
    for cycle, (driven, seen) in zip(cycles, lines[left_out:], strict=True):
        assert "".join(cycle.inputs.values()) == driven.translate(_DEFAULT)
        levels = iter(seen)
        for name, width in WIDTHS.items():
            tests = (cycle.before[name] or "X" * width).translate(_TESTED)
            for test, level in zip(tests, levels, strict=False):
                assert test in {"x", level}
                bits[f"{name} known"] += level in "01"
                bits[f"{name} tested"] += test != "x"
    return bits


@pytest.mark.parametrize("netlist", [True, False], ids=["with netlist", "without"])
@pytest.mark.parametrize("name", KEPT)
def test_every_kept_dump_becomes_a_right_table(name: str, netlist: bool, tmp_path: Path) -> None:
    design = design_folder("ctr163", tmp_path, netlist=netlist)
    done = imported(DUMPS / name, design)
    expected = RehearsalResult.PASSES if netlist else RehearsalResult.NO_NETLIST
    assert (done.rehearsal.result, done.explanation) == (expected, ())
    bits = agrees(done.path, (DUMPS / name).with_suffix(".log"))
    assert bits["q tested"] > bits["q known"] * 0.9
    assert bits["rco tested"] > (5 if netlist else 0)


@pytest.mark.parametrize("sample", [Sample.BEFORE, Sample.LEVELS])
@pytest.mark.parametrize("name", ["icarus_active.vcd", "ghdl_other.vcd", "amaranth_between.vcd"])
def test_every_rule_of_sampling_agrees_with_the_netlist(
    name: str, sample: Sample, tmp_path: Path
) -> None:
    done = imported(DUMPS / name, design_folder("ctr163", tmp_path), recipe=Recipe(sample))
    assert done.rehearsal.result is RehearsalResult.PASSES


def test_vcd_and_fst_of_one_run_give_one_table(tmp_path: Path) -> None:
    design = design_folder("ctr163", tmp_path)
    first = imported(DUMPS / "icarus_active.vcd", design).path.read_text().splitlines()
    second = imported(DUMPS / "icarus_active.fst", design).path.read_text().splitlines()
    assert first[1:] == second[1:]


def test_an_output_of_which_some_bits_are_named_is_not_dropped(tmp_path: Path) -> None:
    dump = tmp_path / "other.vcd"
    text = (DUMPS / "icarus_active.vcd").read_text()
    dump.write_text(text.replace(" q [3:0] $end", " other [3:0] $end"))
    with pytest.raises(InputError, match='has no variable "q" of 4 bits') as refused:
        imported(dump, design_folder("ctr163", tmp_path), Wanted(signals=("q[0]=other[0]",)))
    assert [finding.rule for finding in refused.value.findings] == ["signal-not-found"]


def test_what_the_design_drives_is_held_at_no_level(tmp_path: Path) -> None:
    design = design_folder("ctr163", tmp_path)
    with pytest.raises(InputError, match="drives this, so no level is known without") as refused:
        imported(DUMPS / "icarus_active.vcd", design, Wanted(signals=("q=0",)))
    assert [finding.rule for finding in refused.value.findings] == ["output-held"]


@pytest.mark.parametrize("level", ["12", "012", "0xC", "0b1100"])
def test_an_input_can_be_held_at_a_number(level: str, tmp_path: Path) -> None:
    design = design_folder("ctr163", tmp_path, netlist=False)
    done = imported(DUMPS / "icarus_active.vcd", design, Wanted(signals=(f"d={level}",)))
    assert {row["d"] for row in rows_of(done.path)} == {"1100"}


def test_a_table_of_the_wrong_edge_is_explained(tmp_path: Path) -> None:
    """The netlist proves which pin is wrong where, and which option cures it."""
    design = design_folder("ctr163", tmp_path)
    done = imported(DUMPS / "icarus_other.vcd", design, recipe=Recipe(edge=Edge.FALLING))
    assert done.rehearsal.result is RehearsalResult.FAILS
    assert done.explanation[-1] == "every row agrees with --edge rising or --sample levels"


@pytest.mark.parametrize("name", [name for name in KEPT if name.endswith(".vcd")])
def test_the_reader_sees_what_two_other_readers_see(name: str) -> None:
    """Every value after every change, by ``pywellen``, ``vcdvcd`` and ``pyvcd``."""
    dump = open_dump(DUMPS / name, lambda *_: None)
    names = [name for name in dump.variables if name.rpartition(".")[2] in {*INPUTS, *WIDTHS}]
    seen: dict[str, dict[int, str]] = {name: {} for name in names}
    for time, place, value in changes_of(dump, names):
        width = dump.variables[names[place]]
        text = format(value, f"0{width}b") if isinstance(value, int) else value
        seen[names[place]][time] = text
    second = VCDVCD(str(DUMPS / name))
    for full in names:
        plain = next(r for r in second.references_to_ids if r.partition("[")[0] == full)
        assert four_states(seen[full].items()) == four_states(padded(second[plain]))
    if not name.startswith("ghdl"):  # pyvcd stops at the U of VHDL
        for full, changes in by_pyvcd(DUMPS / name, names).items():
            assert four_states(seen[full].items()) == changes


def changes_of(dump: Dump, names: list[str]) -> list[tuple[int, int, int | str]]:
    """List the changes of variables, of which none may be another's alias."""
    places = same_variable(dump, names)
    found: list[tuple[int, int, int | str]] = []

    def take(batch: Batch) -> None:
        columns = (batch.time.tolist(), batch.variable.tolist(), batch.number.tolist())
        for row, (time, place, number) in enumerate(zip(*columns, strict=True)):
            value = batch.others.get(row, number)
            found.extend((time, k, value) for k, same in enumerate(places) if same == place)

    stream(dump, names, take, lambda *_: None)
    return found


def distinct(changes: Iterable[tuple[int, str]]) -> list[tuple[int, str]]:
    """Leave out changes to the value that was there."""
    left: list[tuple[int, str]] = []
    for time, text in sorted(dict(changes).items()):
        if not left or left[-1][1] != text:
            left.append((time, text))
    return left


def four_states(changes: Iterable[tuple[int, str]]) -> list[tuple[int, str]]:
    """Leave out VHDL's U, which vcdvcd does not know."""
    return distinct((time, text) for time, text in changes if "u" not in text)


def padded(signal: Any) -> Iterator[tuple[int, str]]:
    for time, text in signal.tv:
        yield time, extended(text.lower(), int(signal.size))


def extended(text: str, width: int) -> str:
    """Fill a value up as IEEE 1364 says: with its leftmost x or z, else with 0."""
    return text.rjust(width, text[0] if text[0] in "xzu" else "0")


def by_pyvcd(path: Path, names: list[str]) -> dict[str, list[tuple[int, str]]]:
    """Read with pyvcd's tokens."""
    ids: dict[str, list[tuple[str, int]]] = {}
    scopes: list[str] = []
    values: dict[str, dict[int, str]] = {name: {} for name in names}
    time = 0
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.SCOPE:
                scopes.append(token.scope.ident)
            elif token.kind is TokenKind.UPSCOPE:
                scopes.pop()
            elif token.kind is TokenKind.VAR:
                full = ".".join([*scopes, token.var.reference.partition("[")[0]])
                if full in values:
                    ids.setdefault(token.var.id_code, []).append((full, token.var.size))
            elif token.kind is TokenKind.CHANGE_TIME:
                time = token.time_change
            elif token.kind in {TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR}:
                change: Any = token.data
                for full, width in ids.get(change.id_code, []):
                    value = change.value
                    text = format(value, "b") if isinstance(value, int) else str(value).lower()
                    values[full][time] = extended(text, width)
    return {name: distinct(each.items()) for name, each in values.items()}


@pytest.mark.nightly
@pytest.mark.parametrize("simulator", ["icarus", "verilator", "ghdl", "amaranth"])
def test_dumps_made_today_become_right_tables(simulator: str, tmp_path: Path) -> None:
    needed = {"icarus": "iverilog", "ghdl": "ghdl"}.get(simulator)
    if needed and shutil.which(needed) is None:
        pytest.skip(f"{needed} is not installed")
    command = ["sh", str(DUMPS / "make.sh"), str(tmp_path / "made"), simulator]
    environment = os.environ | {"PYTHON": sys.executable}
    subprocess.run(command, check=True, env=environment, capture_output=True)
    design = design_folder("ctr163", tmp_path)
    made = sorted((tmp_path / "made").glob("*.vcd")) + sorted((tmp_path / "made").glob("*.fst"))
    assert len(made) >= 2
    for dump in made:
        done = imported(dump, design)
        assert done.rehearsal.result is RehearsalResult.PASSES
        agrees(done.path, dump.with_suffix(".log"))


_UNKNOWN = "is neither a time stamp nor a change of a declared variable"


def after(line: str, more: str) -> Callable[[str], str]:
    return lambda text: text.replace(f"{line}\n", f"{line}\n{more}\n")


DAMAGE: dict[str, tuple[Callable[[str], str], str]] = {
    "cut off within a line": (
        lambda text: text[:-4],
        ":669: the last line does not end with a line break, so the dump was cut off",
    ),
    "cut off in its definitions": (
        lambda text: text[:200],
        ": the file ends within its definitions: it has no $enddefinitions",
    ),
    "a line of rubbish": (after("#30000", "quite wrong"), f':74: "quite wrong" {_UNKNOWN}'),
    "words that look like VHDL's H and W": (
        after("#30000", "hello world"),
        f':74: "hello world" {_UNKNOWN}',
    ),
    "a bit that nobody declared": (after("#30000", "1~"), f':74: "1~" {_UNKNOWN}'),
    "a bus that nobody declared": (after("#30000", "b10 ~"), f':74: "b10 ~" {_UNKNOWN}'),
    "more of a known identifier": (after("#30000", "1##"), f':74: "1##" {_UNKNOWN}'),
    "rubbish behind a time": (
        lambda text: text.replace("#30000\n", "#30000 hello\n"),
        f':73: "hello" {_UNKNOWN}',
    ),
    "a time beyond all times": (
        after("#30000", "#18446744073709551615"),
        f':74: "#18446744073709551615" {_UNKNOWN}',
    ),
    "time that goes back": (
        lambda text: text.replace("#30000\n", "#3\n"),
        ":73: time goes back here, from 25000 to 3",
    ),
    "a value that is none": (after("#30000", "b10210 %"), f':74: "b10210 %" {_UNKNOWN}'),
    "a value too wide": (
        after("#30000", "b101010 %"),
        ": the dump cannot be read: Failed to parse four state value: b101010 for signal of size 4",
    ),
    "empty": (lambda text: text[:0], ": this is neither a VCD nor an FST dump"),
}


@pytest.mark.parametrize("kind", DAMAGE)
def test_a_damaged_dump_is_refused_with_its_place(kind: str, tmp_path: Path) -> None:
    damage, place_and_message = DAMAGE[kind]
    dump = tmp_path / "d.vcd"
    dump.write_text(damage((DUMPS / "icarus_active.vcd").read_text()))
    with pytest.raises(InputError) as caught:
        imported(dump, design_folder("ctr163", tmp_path))
    told = [f"{found.location}: {found.message}" for found in caught.value.findings]
    assert told == [f"{dump}{place_and_message}"]


def test_definitions_without_an_end_do_not_fill_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "endless.vcd"
    with path.open("wb") as file:
        file.write(b"$comment\n")
        file.truncate(1 << 30)  # a hole, which takes no room on the disk
    with pytest.raises(InputError) as refused:
        open_dump(path, lambda *_: None)
    assert str(refused.value) == (
        f"{path}: error [damaged-dump] the definitions have more than 134,217,728 bytes; check "
        "that this is a dump, or dump fewer scopes"
    )


def test_an_fst_that_was_cut_off_anywhere_is_refused(tmp_path: Path) -> None:
    whole = (DUMPS / "icarus_active.fst").read_bytes()
    design, dump = design_folder("ctr163", tmp_path), tmp_path / "d.fst"
    for size in range(1, len(whole), 61):
        dump.write_bytes(whole[:size])
        with pytest.raises(InputError):
            imported(dump, design)

"""The agent's guide says what the code does: diagram, numbers and limits."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.agent import protocol
from harness.agent.backends import BACKENDS, backend
from tests.unit.link.machine_diagram import diagram

GUIDE = Path(__file__).parents[3] / "harness" / "agent" / "README.md"
TEXT = GUIDE.read_text(encoding="utf-8")
KINDS = ("HELLO", "BIND", "TIMING", "START", "LOAD", "BLOCK", "TOTALS", "SENSE", "ABORT", "BYE")
ANSWERS = ("DONE", "FAULT", "BUSY", "GAP")


def test_the_diagram_is_the_one_that_the_table_of_transitions_gives() -> None:
    found = re.search(r"<!-- diagram -->\n```mermaid\n(.*?)```\n<!-- /diagram -->", TEXT, re.DOTALL)
    assert found is not None
    assert found.group(1) == diagram()


@pytest.mark.parametrize("name", KINDS + ANSWERS)
def test_each_kind_stands_in_the_tables_with_its_number(name: str) -> None:
    assert f"| {getattr(protocol, name)} | {name} |" in TEXT


def test_the_fields_of_a_vector_stand_in_wire_order() -> None:
    listed = re.search(r"seven words of 32 bits: (.*?)\. Bit", TEXT, re.DOTALL)
    assert listed is not None
    assert tuple(re.findall(r"`(\w+)`", listed.group(1))) == protocol.FIELDS


@pytest.mark.parametrize(
    "phrase",
    [
        f"0 to {protocol.MAX_BODY - 3} to the board, up to {protocol.MAX_ANSWER - 3} from it",
        f"fills up to a multiple of {protocol.QUANTUM} bytes",
        f"{protocol.MAX_KEPT} a run; all are counted",
        f"{protocol.MAX_UNTIL} a block",
        f"{protocol.MAX_WINDOW} a run",
        f"at most {protocol.REMEMBER - 1},",
        f"memory of {protocol.REMEMBER} answers",
        f"at most {protocol.MAX_ROWS} vectors",
        f"Flag {protocol.CHECKED} of BLOCK: the block is checked",
        f"Flag {protocol.REPEATS}: some row",
        f"Flag {protocol.MATCHED}: it is an LZ4 block",
        f"| {protocol.PLANES} | planes, by the layout that the run has",
        f"| {protocol.LAYOUT} | a layout, then planes",
        f"| {protocol.WORDS} | the words as they are",
        f"| {protocol.SAME} | nothing: the block is the same",
        f"| {protocol.XOR} | distance |",
        f"| {protocol.CONSTANT} | the byte |",
        f"| {protocol.TURNED} + one of {protocol.PLAIN}, {protocol.XOR}, {protocol.SUB} |",
    ],
)
def test_limits_in_the_guide_are_those_of_the_protocol(phrase: str) -> None:
    assert " ".join(phrase.split()) in " ".join(TEXT.split())


COMMON = ("serial", "bind", "timing", "until", "sense", "release")
DUTIES = {False: (*COMMON, "run"), True: (*COMMON, "perform", "limits")}


@pytest.mark.parametrize("name", BACKENDS)
def test_every_duty_of_a_pins_module_is_named_and_fulfilled(name: str) -> None:
    exact = backend(name).exact
    source = (GUIDE.parent / f"pins_{name}.py").read_text(encoding="utf-8")
    assert f"    exact: Literal[{exact}] = {exact}" in source
    for member in DUTIES[exact]:
        assert f"| `{member}(" in TEXT
        assert f"    def {member}(self" in source

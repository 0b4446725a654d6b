"""STIL files: names, waveforms, times and loops. ``tests.stil`` reads them by the grammar."""

from __future__ import annotations

from fractions import Fraction

import pytest

from harness.convert import conditions, stil_lines
from harness.shuttle import TableSpec
from harness.table import load_table
from tests.stil import NotStil, Stil, read_stil
from tests.unit.shuttle.bench import DESIGN, SHUTTLE, write_files
from tests.unit.table.tables import Desk, make_desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return make_desk(tmp_path_factory.mktemp("desk"))


def text_of(desk: Desk, table: str, **settings: float) -> str:
    path = desk.spec(table, "t.csv", {}).path
    spec = TableSpec("t", path, settings.pop("clock_hz", 1e6), settings.pop("settle_us", 0.0))
    pattern = load_table(spec, desk.design, desk.shuttle)
    rows = conditions(pattern, spec, desk.design, desk.shuttle)
    return "".join(stil_lines(rows, spec, desk.design))


def exported(desk: Desk, table: str, **settings: float) -> Stil:
    return read_stil(text_of(desk, table, **settings))


def test_every_symbol_has_a_waveform(desk: Desk) -> None:
    stil = exported(desk, "clk,co\nC,H\n")

    def shapes(pin: str) -> dict[str, str]:
        events = stil.waveforms[pin].items()
        return {symbol: " ".join(f"{at * 10**9}{e}" for at, e in each) for symbol, each in events}

    drives = {"0": "0D", "1": "0U", "C": "0D 250U 500D", "K": "0U 250D 500U", "F": "0Z", "N": "0Z"}
    tests = {"H": "0Z 750H", "L": "0Z 750L", "Z": "0Z 750T", "X": "0Z"}
    assert shapes("clk") == drives
    assert shapes("io0") == drives | tests
    assert shapes("out0") == {
        **{symbol: shape.replace("0Z ", "0X ") for symbol, shape in tests.items() if symbol != "X"},
        **dict.fromkeys("XFN", "0X"),
    }


@pytest.mark.parametrize(
    ("clock_hz", "settle_us", "period_ns"),
    [(1e6, 0, 1000), (3e6, 0, Fraction("333.336")), (1e6, 0.25, 1000), (1e6, 0.5, 2000)],
)
def test_a_cycle_is_never_shorter_than_asked_and_has_time_to_settle(
    desk: Desk, clock_hz: float, settle_us: float, period_ns: Fraction
) -> None:
    stil = exported(desk, "clk,co\nC,H\n", clock_hz=clock_hz, settle_us=settle_us)
    assert stil.period * 10**9 == period_ns
    assert [at / stil.period * 4 for at, _ in stil.waveforms["clk"]["C"]] == [0, 1, 2]
    assert [at / stil.period * 4 for at, _ in stil.waveforms["out0"]["H"]] == [0, 3]


def test_a_repeat_is_a_loop_and_an_until_a_match_loop(desk: Desk) -> None:
    text = text_of(desk, "clk,co,repeat,label\nC,H,,go\n0,L,12,\nC,H,until 30,wait *} here\n")
    lines = text[text.index("W cycle;") :].splitlines()[1:-1]
    pins = "000000000XXXX{}XXXXFFFF{}{}"
    assert [line.strip() for line in lines] == [
        "Ann {* reset *}",
        f"Loop 2 {{ V {{ all = {pins.format('X', 'C', 0)}; }} }}",
        "Ann {* go *}",
        f"V {{ all = {pins.format('H', 'C', 1)}; }}",
        f"Loop 12 {{ V {{ all = {pins.format('L', '0', 1)}; }} }}",
        "Ann {* wait * } here *}",
        f"MatchLoop 30 {{ V {{ all = {pins.format('H', 'C', 1)}; }} }}",
    ]
    assert read_stil(text).notes[-1] == "wait * } here"


def test_names_that_might_be_words_of_the_standard_are_quoted_and_groups_get_free_names(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("names")
    shuttle = SHUTTLE.replace('["in0..in8"]', '["Period", "max", "d", "in3..in8"]')
    design = DESIGN.replace('"in3..in0"', '["d", "max", "Period"]').replace('"in4"', '"in3"')
    design = design.replace('en = "in3"', 'all = "in3"\nV = "in4"').replace(
        "Counter", 'Say \\"ü\\"'
    )
    files = write_files(folder, shuttle, design)
    read, whole = files.load()
    stil = exported(Desk(files.folder, read, whole), "d,V,co\n5,1,H\n")
    assert stil.titles["Title"] == "Plover: table t of design count (Say '\\xfc')"
    assert list(stil.signals)[:4] == ["Period", "max", "d", "in3"]
    assert stil.groups["d_"] == ("d", "max", "Period")
    assert stil.groups["all"] == ("in3",)
    assert stil.groups["V"] == ("in4",)
    assert list(stil.groups)[-1] == "all_"


DAMAGED = {
    "no version": ("STIL 1.0;", "STIL 1.0"),
    "a word of the standard as a name": ("in0 In;", "Period In;"),
    "an unknown signal in a group": ("'in3 + in2", "'in33 + in2"),
    "events in no order": ("'250ns' U; '500ns' D", "'500ns' U; '250ns' D"),
    "an event after the cycle": ("'750ns' H", "'1000ns' H"),
    "a drive on an output": ("'0ns' X; '750ns' H", "'0ns' U; '750ns' H"),
    "too few characters": ("= 000000000", "= 00000000"),
    "an unknown waveform table": ("W cycle;", "W cycles;"),
    "an unknown pattern": ("{ vectors; }", "{ vector; }"),
    "an open block": ("PatternExec {", "PatternExec"),
    "no count": ("Loop 2", "Loop two"),
}


@pytest.mark.parametrize(("before", "after"), DAMAGED.values(), ids=DAMAGED)
def test_the_grammar_of_the_tests_refuses_what_is_not_stil(
    desk: Desk, before: str, after: str
) -> None:
    text = text_of(desk, "clk,co\nC,H\n")
    assert before in text
    read_stil(text)
    with pytest.raises(NotStil):
        read_stil(text.replace(before, after, 1))

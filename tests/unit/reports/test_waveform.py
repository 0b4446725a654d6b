"""The value change dump, read back by pyvcd's own reader and by ``vcdvcd``."""

from __future__ import annotations

import io
from dataclasses import replace

from vcd.reader import TokenKind, tokenize
from vcdvcd import VCDVCD

from harness.records import LongWindow, Outcome, Wave, Window
from harness.records.long_window import WINDOW_FIELDS, packed_words
from harness_reports import waveform
from tests.unit.reports.samples import HOSTILE, failed, hostile_run, sample_run, window

PERIOD_NS = 20_000
"""The sample's 50 kHz."""


def _dump(outcome: Outcome) -> bytes:
    return waveform(sample_run(), outcome)


def _sample(dump: VCDVCD, name: str, time: int) -> str:
    return str(dump[name][time])


def test_vcdvcd_reads_every_pin_of_every_cycle() -> None:
    outcome = failed()
    shown = outcome.window
    assert shown is not None
    dump = VCDVCD(vcd_string=_dump(outcome).decode("ascii"))
    top = "alu181_exhaustive"
    observed = {"0": "0", "1": "1", "Z": "z", ".": "x"}
    expected = {"L": "0", "H": "1", "Z": "z", ".": "x"}
    for k, cycle in enumerate(shown.cycles):
        time = cycle * PERIOD_NS
        for wave in shown.waves:
            seen = _sample(dump, f"{top}.observed.{wave.pin}", time)
            want = _sample(dump, f"{top}.expected.{wave.pin}", time)
            assert (seen, want) == (observed[wave.observed[k]], expected[wave.expected[k]])
        assert int(_sample(dump, f"{top}.table.line", time), 2) == shown.lines[k]
        assert int(_sample(dump, f"{top}.table.cycle", time), 2) == cycle


def test_pyvcd_reads_scopes_times_and_the_end() -> None:
    tokens = list(tokenize(io.BytesIO(_dump(failed()))))
    scopes = [t.scope.ident for t in tokens if t.kind is TokenKind.SCOPE]
    assert sorted(scopes) == ["alu181_exhaustive", "driven", "expected", "observed", "table"]
    times = [t.time_change for t in tokens if t.kind is TokenKind.CHANGE_TIME]
    assert times == sorted(set(times))
    assert times[-1] == 26 * PERIOD_NS  # the window's last cycle is 25
    names = {t.var.reference for t in tokens if t.kind is TokenKind.VAR}
    assert {"out2", "clk", "cycle", "line", "mismatch"} <= names


def test_a_pulse_fills_the_middle_of_its_cycle() -> None:
    dump = VCDVCD(vcd_string=_dump(failed()).decode("ascii"))
    start, quarter = 9 * PERIOD_NS, PERIOD_NS // 4
    name = "alu181_exhaustive.driven.clk"
    assert [_sample(dump, name, start + k * quarter) for k in range(4)] == ["0", "1", "1", "0"]


def test_an_inverted_pulse_is_the_mirror_image() -> None:
    wave = Wave("clk", "clk", "KC", "..", "..")
    outcome = replace(failed(), window=Window((0, 1), (2, 3), ("", ""), (wave,)))
    dump = VCDVCD(vcd_string=_dump(outcome).decode("ascii"))
    quarter = PERIOD_NS // 4
    levels = [_sample(dump, "alu181_exhaustive.driven.clk", k * quarter) for k in range(8)]
    assert "".join(levels) == "10010110"


def test_the_mismatch_wire_marks_the_wrong_cycles() -> None:
    dump = VCDVCD(vcd_string=_dump(failed()).decode("ascii"))
    name = "alu181_exhaustive.table.mismatch"
    wrong = [c for c in range(9, 26) if _sample(dump, name, c * PERIOD_NS) == "1"]
    assert wrong == [20, 21, 22, 23]


def test_signals_and_buses_have_the_designs_names_beside_the_pins() -> None:
    outcome = failed()
    shown = outcome.window
    assert shown is not None
    dump = VCDVCD(vcd_string=_dump(outcome).decode("ascii"))
    top, time = "alu181_exhaustive", 20 * PERIOD_NS
    assert int(_sample(dump, f"{top}.expected.q", time), 2) == 4
    assert int(_sample(dump, f"{top}.observed.q", time), 2) == 0
    assert _sample(dump, f"{top}.driven.load_n", time) == "1"
    names = {
        t.var.reference for t in tokenize(io.BytesIO(_dump(outcome))) if t.kind is TokenKind.VAR
    }
    assert {"q", "load_n", "en", "out2", "clk"} <= names
    assert "clk_2" not in names  # its pin has the same name


def test_pins_whose_names_clash_keep_their_own_wires() -> None:
    waves = tuple(Wave(pin, "", "0", ".", ".") for pin in ("a b", "a_b", "a$b"))
    outcome = replace(failed(), window=Window((0,), (2,), ("",), waves))
    tokens = tokenize(io.BytesIO(_dump(outcome)))
    names = [t.var.reference for t in tokens if t.kind is TokenKind.VAR]
    assert {"a_b", "a_b_2", "a_b_3"} <= set(names)


def test_hostile_names_cannot_end_a_section() -> None:
    run = hostile_run()
    outcome = replace(run.chips[0].outcomes[1], design=f"$end {HOSTILE}", chip_serial="$end #0")
    tokens = list(tokenize(io.BytesIO(waveform(run, outcome))))
    assert tokens[0].kind is TokenKind.COMMENT
    assert "_end" in tokens[0].comment


def test_an_outcome_without_conditions_still_has_a_time_scale() -> None:
    outcome = replace(failed(), conditions=None, window=window())
    dump = VCDVCD(vcd_string=_dump(outcome).decode("ascii"))
    assert _sample(dump, "alu181_exhaustive.observed.out2", 20 * 1000) == "0"


def test_all_cycles_that_were_read_back_are_in_the_file_as_far_as_they_are_few() -> None:
    text = _dump(failed(long_window=_long(40))).decode("ascii")
    dump = VCDVCD(vcd_string=text)
    numbers = [
        int(_sample(dump, "alu181_exhaustive.table.cycle", c * PERIOD_NS), 2) for c in range(40)
    ]
    assert numbers == list(range(40))
    assert [_sample(dump, "alu181_exhaustive.observed.out2", c * PERIOD_NS) for c in range(3)] == [
        "0", "1", "0",
    ]  # fmt: skip
    assert "All 40 cycles that were read back in a run of their own." in " ".join(text.split())
    text = " ".join(_dump(failed(long_window=_long(3000))).decode("ascii").split())
    assert "1,024 of 3,000 cycles that were read back in a run of their own." in text


def test_a_damaged_record_of_all_cycles_leaves_those_around_the_mismatch() -> None:
    text = _dump(failed(long_window=replace(_long(40), words="?"))).decode("ascii")
    assert "All 17 cycles that were read back in a run of their own." in " ".join(text.split())


def _long(cycles: int) -> LongWindow:
    """Cycles from 0 on in which ``out2`` is tested for 1 and toggles."""
    none, levels = (0,) * cycles, (0, 1) * (cycles // 2)
    columns = dict.fromkeys(WINDOW_FIELDS, none) | {"expect": (1,) * cycles, "care": (1,) * cycles}
    columns |= {"line": tuple(range(2, cycles + 2)), "seen": levels}
    return LongWindow(0, cycles, ("out2",), ("q[2]",), packed_words(columns), "")

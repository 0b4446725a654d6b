"""What tables would answer under every hypothesis, as arrays, and kept."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from harness.board import load_profile
from harness.records import CauseKind
from harness.rehearse import Cache, Key, Predictions, TablePrediction, kept_predictions, predict
from harness.rehearse.predict import Answers, Job
from harness.table import load_table
from tests.published import demo

WADER = Path(__file__).parents[3] / "ci" / "wader.toml"
SHUTTLE = demo.shuttle()
PROFILE = load_profile(WADER, SHUTTLE)
TABLES: list[Key] = [("ram16x4", "bus"), ("morse", "directed"), ("ctr163", "sequence")]
SHORT = ("ram16x4", "bus")


def job(design: str, table: str) -> Job:
    spec = demo.table_spec(design, table)
    return demo.design(design), spec, load_table(spec, demo.design(design), SHUTTLE)


@cache
def predictions() -> Predictions:
    return predict(SHUTTLE, [job(*name) for name in TABLES], PROFILE)


def place(kind: CauseKind, *pins: str, detail: str = "") -> int:
    return next(
        k
        for k, h in enumerate(predictions().hypotheses)
        if (h.kind, h.pins, h.detail) == (kind, pins, detail)
    )


def test_nothing_is_wrong_on_a_board_in_order() -> None:
    for table in predictions().tables.values():
        assert table.computed
        assert not table.fails[0].any()


@pytest.mark.nightly
def test_no_intake_table_fails_on_a_board_in_order() -> None:
    jobs = [job(d.name, t.name) for d in SHUTTLE.designs for t in d.tables if t.intake]
    tables = predict(SHUTTLE, jobs).tables.values()
    assert len(tables) == len(jobs)
    assert all(table.computed and not table.fails[0].any() for table in tables)


def test_an_open_output_is_wrong_alone_and_floats() -> None:
    mask = SHUTTLE.pins_by_name["out3"].mask
    table, opened = predictions().tables["ctr163", "sequence"], place(CauseKind.OPEN, "out3")
    assert table.tests & mask
    assert (table.pins[opened] == mask).all()
    assert (table.floated[opened] == mask).all()
    assert table.convicts[opened]


def test_a_table_says_nothing_of_a_pin_that_it_does_not_use() -> None:
    table, opened = predictions().tables["ctr163", "sequence"], place(CauseKind.OPEN, "io3")
    assert not (table.drives | table.tests) & SHUTTLE.pins_by_name["io3"].mask
    assert not table.fails[opened].any()


def test_what_a_pin_drives_itself_is_weighed_against_what_it_is_shorted_with() -> None:
    io2 = SHUTTLE.pins_by_name["io2"]
    shorted = place(CauseKind.SHORT, "io2", "nreset", detail="and")
    pattern = job(*SHORT)[2]
    floats = int((pattern.highz & io2.mask > 0).sum())  # there the reset line drives it high
    table = predictions().tables[SHORT]
    assert table.wrong_cycles[shorted].tolist() == [floats] * 3
    assert (table.pins[shorted] == io2.mask).all()


def test_without_supply_every_tested_pin_floats() -> None:
    for table in predictions().tables.values():
        assert (table.floated[place(CauseKind.NO_SUPPLY)] == table.tests).all()


def test_what_fails_from_some_power_up_states_only_is_not_ruled_out_by_a_pass() -> None:
    table = predictions().tables["morse", "directed"]
    never = place(CauseKind.RESET_NEVER, "nreset", detail="high")
    assert table.fails[never].tolist() == [False, True, True]
    assert not table.convicts[never]


@pytest.mark.parametrize("state", range(3))
@pytest.mark.parametrize("key", TABLES)
def test_wrong_cycles_one_by_one_are_those_that_were_counted(key: Key, state: int) -> None:
    table = predictions().tables[key]
    for hypothesis in range(0, len(predictions().hypotheses), 23):
        if table.swings[hypothesis, state]:
            continue
        cycles, pins = predictions().wrong_cycles_of(key, hypothesis, state)
        assert len(cycles) == table.wrong_cycles[hypothesis, state]
        assert np.bitwise_or.reduce(pins) == table.pins[hypothesis, state]


def test_what_is_kept_comes_back_and_a_damaged_entry_is_worked_out_again(tmp_path: Path) -> None:
    def answers() -> list[bytes]:
        table: TablePrediction = predict(
            SHUTTLE, [job(*SHORT)], PROFILE, cache=Cache(tmp_path)
        ).tables[SHORT]
        return [getattr(table, field.name).tobytes() for field in fields(Answers)]

    first = answers()
    (entry,) = tmp_path.iterdir()
    kept = entry.read_bytes()
    assert answers() == first
    entry.write_bytes(kept[: len(kept) // 2])
    assert answers() == first
    assert entry.read_bytes() == kept


def test_an_edited_table_is_another_entry(tmp_path: Path) -> None:
    design, spec, pattern = job(*SHORT)
    for drive in (pattern.drive, pattern.drive ^ np.uint32(1)):
        edited = design, spec, replace(pattern, drive=drive)
        predict(SHUTTLE, [edited], PROFILE, cache=Cache(tmp_path))
    assert len(list(tmp_path.iterdir())) == 2


def test_a_long_table_has_its_pins_only_until_it_is_asked_for() -> None:
    long = job("vgatiming", "frame")
    table = predict(SHUTTLE, [long]).tables["vgatiming", "frame"]
    assert not table.computed
    assert table.drives & SHUTTLE.pins_by_name["clk"].mask
    assert table.tests
    assert not table.convicts.any()


def test_what_was_predicted_is_found_beside_a_table_that_takes_too_long(tmp_path: Path) -> None:
    jobs = [job(*SHORT), job("vgatiming", "frame")]
    assert kept_predictions(SHUTTLE, jobs, PROFILE, Cache(tmp_path)) is None
    predict(SHUTTLE, jobs, PROFILE, cache=Cache(tmp_path))
    found = kept_predictions(SHUTTLE, jobs, PROFILE, Cache(tmp_path))
    assert found is not None
    assert [table.computed for table in found.tables.values()] == [True, False]


def test_many_gates_are_not_run_for_many_cycles_in_their_own_tables_or_in_anothers() -> None:
    shuttle = replace(SHUTTLE, designs=(demo.design("cmp85"), demo.design("present80")))
    tables: list[Key] = [("cmp85", "directed"), ("present80", "published")]
    jobs = [lengthened(job(*key), 13_000) for key in tables]
    small, large = predict(shuttle, jobs, PROFILE).tables.values()
    assert (small.computed, large.computed) == (True, False)
    assert len(small.known) > small.known[:, 0].sum() > 3 * np.sum(~small.known[:, 0])


def lengthened(job: Job, cycles: int) -> Job:
    design, spec, pattern = job
    repeat = pattern.repeat.copy()
    repeat[-1] = cycles
    return design, spec, replace(pattern, repeat=repeat)


def test_a_design_without_a_netlist_has_its_pins_only() -> None:
    bare = replace(demo.design("cmp85"), netlist=None)
    shuttle = replace(SHUTTLE, designs=(bare, demo.design("ram16x4")))
    _, spec, pattern = job("cmp85", "directed")
    found = predict(shuttle, [(bare, spec, pattern), job(*SHORT)], PROFILE)
    table = found.tables["cmp85", "directed"]
    assert not table.computed
    assert table.tests
    assert not table.known[0].any()
    cycles, _ = found.wrong_cycles_of(("cmp85", "directed"), 1)
    assert not len(cycles)
    assert found.tables[SHORT].computed

"""A chip worked by hand on a board: the whole stack, a link that breaks, and a slot of a rack."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

import harness
from harness.errors import BoardLost, PortUnavailable
from harness.virtual.faults import Unplug
from tests.system.virtual import PROFILE, ROOT, SHUTTLE, board

pytest_plugins = ["pytester"]


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    """The demo board's profile, for a board whose pins are virtual."""
    path = tmp_path / "wader.toml"
    text = PROFILE.read_text("utf-8").replace('backend = "generic"', 'backend = "virtual"')
    path.write_text(text, "utf-8")
    return path


def count(chip: harness.HandledChip) -> None:
    chip.set(load_n=1, enp=1, ent=1)
    chip.clock(100)
    assert chip.read("q") == 100 % 16
    assert chip.wait(20, rco="H") == 11
    chip.set(enp=0)
    chip.expect(q=15)


def clock_often(chip: harness.HandledChip) -> None:
    for _ in range(1000):
        chip.clock()


def test_a_chip_on_a_board_is_worked_by_hand_and_belongs_to_nobody_else(profile: Path) -> None:
    with (
        board() as url,
        harness.open_chip(SHUTTLE, "ctr163", port=url, profile=profile, chip="SP2-0001") as chip,
    ):
        count(chip)
        with pytest.raises(AssertionError) as error:
            chip.expect(rco=0)
        assert str(error.value) == "ctr163 on chip SP2-0001: rco is H, expected L (pin out4)"
        with pytest.raises(PortUnavailable, match="is in use by a chip opened by hand"):
            harness.open_chip(SHUTTLE, port=url, profile=profile).__enter__()
        assert chip.run_table("sequence").verdict is harness.Verdict.PASS


def test_pytest_runs_a_table_on_the_board_at_a_port(
    profile: Path, pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTEST_ADDOPTS", "-p harness_pytest -p no:randomly")
    importlib.import_module("harness_pytest.tables")  # what a run inside loads, it forgets
    with board() as url:
        result = pytester.runpytest_inprocess(
            f"{SHUTTLE}::ctr163/sequence@port",
            f"--harness-port={url}",
            f"--harness-profile={profile}",
            "--harness-chip=SP2-0001",
            "--junitxml=out.xml",
        )
    assert result.ret == 0
    result.assert_outcomes(passed=1)
    assert 'name="chip" value="SP2-0001"' in (pytester.path / "out.xml").read_text("utf-8")


def test_a_lost_link_is_an_error_and_ends_what_was_done_until_the_design_is_selected_again(
    profile: Path,
) -> None:
    with (
        board(link_faults=(Unplug(at_byte=60_000, back_after_s=0.3),)) as url,
        harness.open_chip(SHUTTLE, "ctr163", port=url, profile=profile) as chip,
    ):
        chip.set(load_n=1, enp=1, ent=1)
        with pytest.raises(BoardLost, match="what the chip held is lost with it; select") as lost:
            clock_often(chip)
        with pytest.raises(BoardLost) as again:
            chip.read("q")
        assert again.value is lost.value
        chip.select("ctr163")
        count(chip)


def test_a_chip_in_a_slot_of_a_rack_has_the_defect_that_the_rack_file_says() -> None:
    rack = harness.load_rack(ROOT / "ci" / "demo-rack.toml")
    with harness.open_chip(rack, "crc16", slot="A3") as chip:
        assert repr(chip) == "<chip SP2-0003, crc16 selected>"
        outcome = chip.run_table("check")
    assert (outcome.verdict, outcome.chip_serial) == (harness.Verdict.FAIL, "SP2-0003")

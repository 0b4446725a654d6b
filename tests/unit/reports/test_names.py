"""File names made from what stands in records."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness_reports.names import chip_folders, safe_name, waveform_names
from tests.unit.reports.samples import chip, failed, passed, run_of


@pytest.mark.parametrize("plain", ["SP2-0001", "WB-01", "lot_7.die-3", "a"])
def test_a_harmless_name_stays_itself(plain: str) -> None:
    assert safe_name(plain) == plain


@pytest.mark.parametrize(
    "text",
    ["", ".", "..", "../../etc/passwd", "a/b", "a\\b", "a:b", "NUL", "con.txt", " a", "a.", "é",
     "x" * 300, "a\0b", "-rf/"],
)  # fmt: skip
def test_a_harmful_name_gets_a_stand_in_with_a_mark(text: str) -> None:
    assert safe_name(text) != text
    assert re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]*-[0-9a-f]{8}", safe_name(text))


@given(st.text(st.characters()))
def test_every_name_is_one_short_ascii_component(text: str) -> None:
    name = safe_name(text)
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,69}", name)
    assert name not in {".", ".."}


@given(st.sets(st.text(max_size=8), min_size=2, max_size=6))
def test_different_serials_never_share_a_folder(serials: set[str]) -> None:
    chips = [chip(f"A{k}", serial) for k, serial in enumerate(serials)]
    names = chip_folders(chips).values()
    assert len({name.casefold() for name in names}) == len(serials)


def test_serials_that_differ_in_case_only_get_two_folders() -> None:
    run = run_of(chip("A1", "sp2-a"), chip("A2", "SP2-A"), chip("A3", ""))
    assert chip_folders(run.chips) == {"A1": "sp2-a", "A2": "SP2-A-2", "A3": "slot_A3-9c699da0"}


def test_only_outcomes_with_a_window_get_a_waveform() -> None:
    record = chip("A1", "SP2-0001", passed(), failed(), failed("x", "y", window=None))
    assert waveform_names(record) == {("alu181", "exhaustive"): "alu181.exhaustive.vcd"}

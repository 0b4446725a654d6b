"""An intake with answers from a script: what it hears, and what is left when they are at an end."""

from __future__ import annotations

from pathlib import Path

import pytest

import harness
from harness.errors import ConfigError

RACK = harness.load_rack(Path(__file__).parents[3] / "ci/demo-rack.toml")


def test_a_script_whose_answers_end_leaves_and_says_where_every_answer_is(tmp_path: Path) -> None:
    script = harness.Script([" "])
    sitting = harness.hold_intake(RACK, script, tmp_path / "s.sqlite", tmp_path, slots=["A1"])
    assert (sitting.left, sitting.run_id, sitting.chips, sitting.aside) == (True, "", [], [])
    assert sitting.journals == tmp_path / "intake"
    assert script.said[-2:] == ["Who does this intake [your name, printed on the card]"] * 2


def test_a_slot_that_the_rack_lacks_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match='no slot "B1" here'):
        harness.hold_intake(RACK, [], tmp_path / "s.sqlite", tmp_path, slots=["B1"])

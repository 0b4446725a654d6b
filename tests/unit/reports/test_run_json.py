"""The JSON file gives back what went in, fits its published schema, and refuses the rest."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from jsonschema import Draft202012Validator

from harness.errors import StoreError
from harness.records import Conditions, RunKind, RunRecord
from harness_reports import parse_run_json, run_json
from harness_reports.run_json import read_run_json, run_json_pieces
from tests.examples import few
from tests.unit.records.possible import RUNS
from tests.unit.reports.run_schema import run_schema
from tests.unit.reports.samples import chip as chip_of
from tests.unit.reports.samples import hostile_run, passed, run_of, sample_run

LARGE = [HealthCheck.too_slow, HealthCheck.data_too_large]


@few(15, suppress_health_check=LARGE)
@given(run=RUNS)
def test_any_run_comes_back_the_same_and_fits_the_schema(run: RunRecord) -> None:
    text = run_json(run)
    assert text.isascii()
    assert run_json(parse_run_json(text)) == text  # as text, since nan differs from itself
    Draft202012Validator(run_schema()).validate(json.loads(text))


@pytest.mark.parametrize("make", [sample_run, hostile_run])
def test_the_samples_come_back_equal(make: Callable[[], RunRecord], tmp_path: Path) -> None:
    path, text = tmp_path / "run.json", run_json(make())
    path.write_text(text, encoding="ascii")
    assert text == json.dumps(json.loads(text), indent=2) + "\n"
    assert read_run_json(path) == make()


def test_a_rate_that_is_no_number_survives() -> None:
    conditions = Conditions(math.inf, math.nan, False, -math.inf, 0)
    run = run_of(chip_of("A1", "SP2-0001", passed(conditions=conditions)))
    back = parse_run_json(run_json(run)).chips[0].outcomes[0].conditions
    assert back is not None
    assert (back.clock_hz, back.settle_us) == (math.inf, -math.inf)
    assert math.isnan(back.achieved_hz)


def test_the_schema_file_is_the_one_that_the_records_make() -> None:
    path = Path(__file__).parents[3] / "reports" / "run.schema.json"
    text = json.dumps(run_schema(), indent=1) + "\n"
    assert path.read_text(encoding="utf-8") == text, "write this to it again"
    Draft202012Validator.check_schema(run_schema())


def test_the_verdicts_at_the_top_are_those_of_the_chips() -> None:
    run = sample_run()
    whole = json.loads(run_json(run))
    told = [(item["slot"], item["verdict"]) for item in whole["verdicts"]]
    assert told == [(chip.slot, chip.verdict.value) for chip in run.chips]


def _set_slot(whole: dict[str, Any]) -> None:
    whole["run"]["chips"][2]["slot"] = 7


def _drop_port(whole: dict[str, Any]) -> None:
    del whole["run"]["chips"][0]["port"]


def _add_colour(whole: dict[str, Any]) -> None:
    whole["run"]["colour"] = "red"


def _odd_verdict(whole: dict[str, Any]) -> None:
    whole["run"]["chips"][0]["outcomes"][1]["verdict"] = "MAYBE"


def _odd_time(whole: dict[str, Any]) -> None:
    whole["run"]["started"] = "yesterday"


def _number_as_flag(whole: dict[str, Any]) -> None:
    whole["run"]["chips"][0]["outcomes"][0]["cycles"] = True


def _newer(whole: dict[str, Any]) -> None:
    whole["schema"] = 5


def _older(whole: dict[str, Any]) -> None:
    whole["schema"] = 3


def _other(whole: dict[str, Any]) -> None:
    whole["format"] = "other"


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (_set_slot, "run.chips[2].slot: expected str, got int"),
        (_drop_port, "run.chips[0]: missing field port"),
        (_add_colour, "run: unknown field colour"),
        (_odd_verdict, "run.chips[0].outcomes[1].verdict: 'MAYBE' is not a valid Verdict"),
        (_odd_time, "run.started: Invalid isoformat string: 'yesterday'"),
        (_number_as_flag, "run.chips[0].outcomes[0].cycles: expected int, got bool"),
        (
            _newer,
            "schema 5 found, 4 wanted; read it with the version of the tool that wrote it",
        ),
        (
            _older,
            "schema 3 found, 4 wanted; read it with the version of the tool that wrote it",
        ),
        (_other, 'not a run: "format": "harness-run" is missing'),
    ],
)
def test_damage_is_refused_with_its_place(
    damage: Callable[[dict[str, Any]], None], told: str
) -> None:
    whole = json.loads(run_json(sample_run()))
    damage(whole)
    with pytest.raises(StoreError) as caught:
        parse_run_json(json.dumps(whole))
    assert str(caught.value) == told


def test_a_file_cut_short_or_missing_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    with pytest.raises(StoreError, match=r"run\.json: no such file"):
        read_run_json(path)
    path.write_text(run_json(sample_run())[:1000], encoding="ascii")
    with pytest.raises(StoreError, match=r"run\.json: not JSON: .*cut short"):
        read_run_json(path)


def test_an_intake_says_that_it_is_one() -> None:
    intake = replace(sample_run(), kind=RunKind.INTAKE)
    assert json.loads(run_json(intake))["run"]["kind"] == "intake"
    assert parse_run_json(run_json(intake)) == intake


def test_a_run_still_going_has_no_end() -> None:
    run = replace(sample_run(), finished=None)
    assert parse_run_json(run_json(run)).finished is None


def test_a_run_comes_in_pieces_a_chip_at_a_time() -> None:
    run = sample_run()
    pieces = list(run_json_pieces(run))
    chips = [k for k, piece in enumerate(pieces) if '\n        "board_serial"' in piece]
    assert len(chips) == len(run.chips)
    assert "".join(pieces) == run_json(run)

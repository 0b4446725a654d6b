"""Messages to a supply: no text that sets a voltage comes into being outside the limits."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import ConfigError
from harness.supply import Limits, ScpiError, read_error, voltage_message

LIMITS = Limits(2.7, 3.6, 0.15, Path("board.toml"))
OTHER_ROOMS = Path(__file__).parents[3] / "harness"


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_a_voltage_is_sent_only_within_the_limits(volts: float) -> None:
    try:
        text = voltage_message(volts, LIMITS)
    except ConfigError:
        assert not 2.7 <= volts <= 3.6
        return
    head, number = text.split(" ")
    assert head == "SOUR:VOLT"
    assert 2.7 <= float(number) <= 3.6
    assert abs(float(number) - volts) <= 0.00005001


@pytest.mark.parametrize(
    ("volts", "told"),
    [
        (3.61, '3.61 V is above "supply_max_v", which is 3.6 V'),
        (0.0, '0 V is below "supply_min_v", which is 2.7 V'),
        (-3.3, '-3.3 V is below "supply_min_v", which is 2.7 V'),
        (math.inf, 'inf V is above "supply_max_v", which is 3.6 V'),
        (math.nan, 'nan V is below "supply_min_v", which is 2.7 V'),
    ],
)
def test_the_refusal_names_file_and_key(volts: float, told: str) -> None:
    with pytest.raises(ConfigError) as refused:
        voltage_message(volts, LIMITS)
    assert str(refused.value) == (
        f"board.toml: error [voltage-outside-limits] {told}; the supply was not told; choose a "
        "voltage within the limits of the board and chip"
    )


def test_rounding_does_not_lead_over_a_limit() -> None:
    with pytest.raises(ConfigError):
        voltage_message(3.60006, Limits(2.7, 3.60006, 0.1, Path("board.toml")))
    assert voltage_message(3.60004, Limits(2.7, 3.60006, 0.1, Path("board.toml"))) == (
        "SOUR:VOLT 3.6000"
    )


def test_no_other_place_of_the_tool_makes_such_a_message() -> None:
    makers = [
        path.name
        for path in OTHER_ROOMS.rglob("*.py")
        if "SOUR:VOLT " in path.read_text("utf-8") and path.parent.name != "virtual"
    ]
    assert makers == ["messages.py"]


@pytest.mark.parametrize(
    ("reply", "error"),
    [
        ('0,"No error"', ScpiError(0, "No error")),
        ('+0,"No error"', ScpiError(0, "No error")),
        ('-113,"Undefined header"', ScpiError(-113, "Undefined header")),
        ('-222, "Data out of range;VOLT 99"', ScpiError(-222, "Data out of range;VOLT 99")),
        ('201,"say ""please"""', ScpiError(201, 'say "please"')),
    ],
)
def test_an_entry_of_the_error_queue_is_a_number_and_a_quoted_text(
    reply: str, error: ScpiError
) -> None:
    assert read_error(reply) == error


@pytest.mark.parametrize("reply", ["", "0", "No error", '0,"No', '0,"a"b"', "3.3"])
def test_anything_else_is_refused(reply: str) -> None:
    with pytest.raises(ValueError, match="is no entry of an error queue"):
        read_error(reply)

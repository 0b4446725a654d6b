"""Messages to a supply: no text that sets a voltage comes into being outside the limits."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import ConfigError
from harness.supply import Limits
from harness.supply.messages import read_error, voltage_message

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
        (3.61, '3.6100 V is above "supply_max_v", which is 3.6 V'),
        (0.0, '0.0000 V is below "supply_min_v", which is 2.7 V'),
        (-3.3, '-3.3000 V is below "supply_min_v", which is 2.7 V'),
        (math.inf, 'inf V is above "supply_max_v", which is 3.6 V'),
        (math.nan, 'nan V is below "supply_min_v", which is 2.7 V'),
    ],
)
def test_the_refusal_names_file_and_key(volts: float, told: str) -> None:
    with pytest.raises(ConfigError) as refused:
        voltage_message(volts, LIMITS)
    assert str(refused.value) == (
        f"board.toml: error [voltage-outside-limits] {told}; nothing was sent to the supply; "
        "choose a voltage within the limits of the board and chip"
    )


def test_what_would_be_sent_is_compared_with_a_limit_and_told() -> None:
    fine = Limits(2.70004, 3.33336, 0.1, Path("board.toml"))
    with pytest.raises(
        ConfigError, match=r'3\.3334 V is above "supply_max_v", which is 3\.33336 V'
    ):
        voltage_message(3.33336, fine)
    with pytest.raises(
        ConfigError, match=r'2\.7000 V is below "supply_min_v", which is 2\.70004 V'
    ):
        voltage_message(2.70004, fine)
    assert voltage_message(3.33334, fine) == "SOUR:VOLT 3.3333"
    assert voltage_message(3.60004, LIMITS) == "SOUR:VOLT 3.6000"


@given(st.integers(1, 30_000), st.integers(1, 30_000))
def test_limits_in_whole_millivolts_can_be_set_themselves(one: int, other: int) -> None:
    low, high = sorted((one / 1000, other / 1000))
    limits = Limits(low, high, 0.1, Path("board.toml"))
    for volts in (low, high):
        assert float(voltage_message(volts, limits).split(" ")[1]) == volts


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
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header"', (-113, "Undefined header")),
        ('-222, "Data out of range;VOLT 99"', (-222, "Data out of range;VOLT 99")),
        ('201,"say ""please"""', (201, 'say "please"')),
    ],
)
def test_an_entry_of_the_error_queue_is_a_number_and_a_quoted_text(
    reply: str, error: tuple[int, str]
) -> None:
    assert read_error(reply) == error


@pytest.mark.parametrize("reply", ["", "0", "No error", '0,"No', '0,"a"b"', "3.3"])
def test_anything_else_is_refused(reply: str) -> None:
    with pytest.raises(ValueError, match="is not an error queue entry"):
        read_error(reply)

"""The virtual supply: SCPI as the standards write it, and a chip that follows its voltage.

Headers in long and short form, with optional parts: SCPI-99 volume 1, section 6.2. Errors -113
"Undefined header" and -222 "Data out of range": SCPI-99 volume 2, chapter 21.
"""

from __future__ import annotations

import re

import pytest

from harness.supply import open_supply
from harness.virtual.scpi_device import ScpiSupply
from harness.virtual.speed import ALPHA, THRESHOLD_V, relative_speed
from harness.virtual.supply import VirtualSupply
from tests.unit.supply.instruments import SPEC, instrument


@pytest.mark.parametrize(
    "header",
    [
        "VOLT", "VOLTAGE", "voltage", "SOUR:VOLT", ":SOURce:VOLTage", "SOUR:VOLT:LEV",
        "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE", "VOLT:IMM:AMPL",
    ],
)  # fmt: skip
def test_a_header_may_be_long_or_short_and_leave_out_what_is_optional(header: str) -> None:
    device = instrument()
    assert device.answer(f"{header} 3.1") is None
    assert device.answer(f"{header}?") == "+3.10000E+00"
    assert device.answer("SYST:ERR?") == '+0,"No error"'


@pytest.mark.parametrize("header", ["VOL", "VOLTA", "SOUR", "SOUR:VOLTS", "VOLT:LEV:DC", "?"])
def test_any_other_header_is_undefined(header: str) -> None:
    device = instrument()
    assert device.answer(f"{header} 3.1") is None
    assert device.answer("SYSTem:ERRor:NEXT?") == '-113,"Undefined header"'
    assert device.answer("SYST:ERR?") == '+0,"No error"'


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("VOLT 31", '-222,"Data out of range"'),
        ("VOLT -1", '-222,"Data out of range"'),
        ("VOLT", '-109,"Missing parameter"'),
        ("VOLT 1,2", '-108,"Parameter not allowed"'),
        ("VOLT three", '-104,"Data type error"'),
        ("OUTP 2", '-104,"Data type error"'),
    ],
)
def test_what_cannot_be_done_is_queued_and_changes_nothing(line: str, error: str) -> None:
    device = instrument()
    assert device.answer(line) is None
    assert device.answer("SYST:ERR?") == error
    assert device.answer("MEAS:VOLT?") == "+3.30000E+00"


def test_a_queue_that_is_full_ends_with_the_overflow() -> None:
    device = instrument()
    for _ in range(20):
        device.answer("NONSENSE")
    told = [device.answer("SYST:ERR?") for _ in range(17)]
    assert told[14:] == ['-113,"Undefined header"', '-350,"Queue overflow"', '+0,"No error"']


def test_every_reply_is_a_number_in_nr3() -> None:
    device = instrument()
    for query in ("VOLT?", "CURR?", "MEAS:VOLT?", "MEAS:CURR?"):
        reply = device.answer(query)
        assert reply is not None
        assert re.fullmatch(r"[+-]\d\.\d+E[+-]\d+", reply)


def test_the_load_draws_no_more_than_the_limit_and_the_voltage_falls() -> None:
    device = instrument()
    device.answer("CURR 0.01")
    assert device.delivered() == pytest.approx((1.5, 0.01))


def test_the_terminals_are_told_of_changes_only() -> None:
    heard: list[float] = []
    device = ScpiSupply(3.3, heard.append)
    for line in ("VOLT 3.0", "VOLT 3.0", "OUTP OFF", "VOLT 2.0", "OUTP ON", "*IDN?"):
        device.answer(line)
    assert heard == [pytest.approx(3.0), 0.0, pytest.approx(2.0)]


def test_the_client_and_the_virtual_supply_understand_each_other_over_a_terminal() -> None:
    heard: list[float] = []
    device = VirtualSupply(3.3, heard.append)
    device.start()
    with open_supply(SPEC, device.port) as supply:
        assert supply.set_volts(2.9) == pytest.approx(2.9)
    assert heard == [pytest.approx(2.9), pytest.approx(3.3)]


def test_speed_follows_the_alpha_power_law() -> None:
    """Sakurai and Newton 1990: delay goes with V / (V - Vth)^alpha; worked by hand for 3.3 V."""
    assert relative_speed(3.3, 3.3) == 1.0
    slow = (2.7 / (2.7 - THRESHOLD_V) ** ALPHA) / (3.3 / (3.3 - THRESHOLD_V) ** ALPHA)
    assert relative_speed(2.7, 3.3) == pytest.approx(1 / slow)
    speeds = [relative_speed(volts, 3.3) for volts in (0.0, 0.7, 0.8, 2.7, 3.3, 3.6)]
    assert speeds[:2] == [0.0, 0.0]
    assert speeds[1:] == sorted(set(speeds))

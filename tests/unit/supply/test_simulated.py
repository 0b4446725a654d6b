"""The client against an instrument of others: PyPI ``pyvisa-sim``, its messages from our list."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import pyvisa

from harness.errors import SupplyTrouble
from harness.supply import BenchSupply
from tests.unit.supply.instruments import LIMITS, SPEC

DEFINITION = Path(__file__).with_name("simulated_supply.yaml")


class VisaPort:
    """A simulated serial resource behind the small face of a port."""

    def __init__(self, resource: Any) -> None:
        self._resource = resource

    def read(self, timeout: float) -> bytes:
        self._resource.timeout = max(1, int(timeout * 100))
        try:
            return bytes(self._resource.read_raw())
        except pyvisa.errors.VisaIOError:
            return b""

    def write(self, data: bytes) -> None:
        self._resource.write_raw(data)

    def close(self) -> None:
        pass


@pytest.fixture
def resource() -> Iterator[Any]:
    manager = pyvisa.ResourceManager(f"{DEFINITION}@sim")
    opened = manager.open_resource("ASRL1::INSTR")
    yield opened
    opened.close()
    manager.close()


def supply_on(resource: Any, high_v: float = 3.6) -> BenchSupply:
    """The instrument always measures 3.2 V, so what is measured may be far from what is set."""
    spec = replace(SPEC, tolerance_v=0.5, limits=replace(LIMITS, high_v=high_v))
    return BenchSupply(spec, lambda: VisaPort(resource), "ASRL1")


def asked(resource: Any, query: str) -> str:
    """What the instrument says to a query of ours, past the client."""
    port = VisaPort(resource)
    port.write(f"{query}\n".encode())
    return port.read(1.0).decode().strip()


def test_a_supply_is_set_read_back_and_restored(resource: Any) -> None:
    with supply_on(resource) as supply:
        assert supply.identity == "Low Tide Silicon Club,Simulated supply,7,2"
        assert supply.set_volts(2.9) == 3.2
        assert asked(resource, "SOUR:VOLT?") == "2.900"
        assert asked(resource, "SOUR:CURR?") == "+1.500E-01"
        assert supply.measured().amperes == 0.015
    assert asked(resource, "SOUR:VOLT?") == "3.300"


def test_what_the_instrument_refuses_is_told_and_the_voltage_restored(resource: Any) -> None:
    with supply_on(resource) as supply, pytest.raises(SupplyTrouble) as refused:
        supply.set_volts(3.55)
    assert str(refused.value) == (
        'ASRL1: the bench supply refused "SOUR:VOLT 3.5500": -113, Undefined header'
    )
    assert asked(resource, "SOUR:VOLT?") == "3.300"


def test_an_error_of_somebody_before_is_forgotten_or_told_but_never_left(resource: Any) -> None:
    resource.write_raw(b"NONSENSE\n")  # and this instrument's *CLS leaves its queue as it is
    with supply_on(resource) as supply:
        resource.write_raw(b"NONSENSE\n")
        with pytest.raises(SupplyTrouble, match="-113, Undefined header"):
            supply.set_volts(3.0)
    assert asked(resource, "SYST:ERR?") == '0,"No error"'

"""The supply in use: what is sent in which order, what is noticed, and what is always put back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from harness.errors import ConfigError, LinkError, SupplyTrouble
from harness.supply import BenchSupply, cautions, open_supply
from harness.supply.model import Reading
from harness.virtual.supply import VirtualSupply
from tests.unit.supply.instruments import SPEC, Answer, LinePort, instrument, on


def but(answer: Answer, **replies: str) -> Answer:
    """An instrument that answers some queries in another way (``SOUR_VOLT`` for SOUR:VOLT?)."""
    changed = {name.replace("_", ":") + "?": reply for name, reply in replies.items()}
    return lambda line: changed[line] if line in changed else answer(line)


def test_current_is_limited_before_the_output_is_switched_on() -> None:
    device = instrument()
    device.answer("OUTP OFF")
    port = LinePort(device.answer)
    with on(port) as supply:
        commands = [line for line in port.said if not line.endswith("?")]
        assert commands == ["*CLS", "SOUR:CURR 0.1500", "SOUR:VOLT 3.3000", "OUTP ON"]
        assert supply.identity == "Low Tide Silicon Club,Virtual supply,0,1"
        assert supply.measured() == Reading(3.3, 0.022)


def test_every_command_is_followed_by_its_reading_back_and_the_error_queue() -> None:
    port = LinePort(instrument().answer)
    with on(port) as supply:
        del port.said[:]
        assert supply.set_volts(3.0) == pytest.approx(3.0)
    assert port.said[:5] == [
        "SOUR:VOLT 3.0000", "SYST:ERR?", "SOUR:VOLT?", "MEAS:VOLT?", "MEAS:CURR?",
    ]  # fmt: skip


def test_the_nominal_voltage_comes_back_and_the_output_is_as_it_was_found() -> None:
    for found in ("ON", "OFF"):
        device = instrument()
        device.answer(f"OUTP {found}")
        with on(LinePort(device.answer)) as supply:
            supply.set_volts(2.8)
        assert device.answer("SOUR:VOLT?") == "+3.30000E+00"
        assert device.answer("OUTP?") == ("1" if found == "ON" else "0")


@pytest.mark.parametrize("ending", [KeyboardInterrupt, SystemExit, RuntimeError, LinkError])
def test_whatever_ends_it_the_nominal_voltage_comes_back(ending: type[BaseException]) -> None:
    device = instrument()

    def sweep() -> None:
        with on(LinePort(device.answer)) as supply:
            supply.set_volts(2.8)
            raise ending("the sweep ends")

    with pytest.raises(ending):
        sweep()
    assert device.answer("MEAS:VOLT?") == "+3.30000E+00"


def test_a_voltage_outside_the_limits_is_never_sent() -> None:
    port = LinePort(instrument().answer)
    with on(port) as supply:
        del port.said[:]
        for volts in (3.7, 2.6, float("nan")):
            with pytest.raises(ConfigError, match="nothing was sent to the supply"):
                supply.set_volts(volts)
        assert port.said == []


def test_what_the_device_refuses_is_told_with_all_that_its_queue_holds() -> None:
    device = instrument()
    port = LinePort(lambda line: device.answer("NONSENSE" if line == "SOUR:VOLT 3.0000" else line))
    with on(port) as supply:
        device.answer("VOLT 99")
        with pytest.raises(SupplyTrouble) as refused:
            supply.set_volts(3.0)
    assert str(refused.value) == (
        '/dev/ttyS9: the bench supply refused "SOUR:VOLT 3.0000": -222, Data out of range; '
        "-113, Undefined header"
    )


def test_a_setting_that_did_not_take_is_noticed() -> None:
    device = instrument()
    port = LinePort(lambda line: None if line == "SOUR:VOLT 3.0000" else device.answer(line))
    with on(port) as supply, pytest.raises(SupplyTrouble) as noticed:
        supply.set_volts(3.0)
    assert str(noticed.value) == (
        "/dev/ttyS9: 3 V was set, but the bench supply is set to 3.3 V; check its range and its "
        "own limits"
    )


def test_a_voltage_that_does_not_arrive_is_noticed() -> None:
    port = LinePort(instrument().answer)
    with on(port) as supply:
        port.answer = but(port.answer, MEAS_VOLT="1.1", MEAS_CURR="0.15")
        with pytest.raises(SupplyTrouble) as noticed:
            supply.set_volts(3.0)
    assert str(noticed.value) == (
        "/dev/ttyS9: 3 V was set, but 1.1 V is measured after 0.05 s at 0.15 A (limit 0.15 A); "
        "with the power off, look for a short or a current limit"
    )


@pytest.mark.parametrize("reply", ["", "OK", "3.3 V", "9.91E37"])
def test_an_answer_that_is_no_number_is_no_voltage(reply: str) -> None:
    port = LinePort(but(instrument().answer, SOUR_VOLT=reply))
    with pytest.raises(SupplyTrouble, match="MAY STILL BE AT ANOTHER VOLTAGE"), on(port):
        pass


def test_a_queue_that_never_ends_is_left_after_some_entries() -> None:
    port = LinePort(but(instrument().answer, SYST_ERR='-113,"Undefined header"'))
    with pytest.raises(SupplyTrouble), on(port):
        pass
    assert port.said.count("SYST:ERR?") < 200


def test_a_supply_that_cannot_be_restored_is_told_loudly() -> None:
    port = LinePort(instrument().answer)
    supply = on(port).__enter__()
    supply.set_volts(2.8)
    port.cut = True
    with pytest.raises(SupplyTrouble) as loud:
        supply.__exit__(None, None, None)
    assert str(loud.value) == (
        "THE BENCH SUPPLY MAY STILL BE AT ANOTHER VOLTAGE: /dev/ttyS9: the bench supply went "
        "away (gone); plug it in again. Set it to 3.3 V by hand now, or switch it off"
    )


def test_a_connection_that_broke_is_made_again_to_restore() -> None:
    device = instrument()
    ports = [LinePort(device.answer), LinePort(device.answer)]
    left = iter(ports)
    with BenchSupply(SPEC, lambda: next(left), "/dev/ttyS9") as supply:
        supply.set_volts(2.8)
        ports[0].cut = True
    assert device.answer("SOUR:VOLT?") == "+3.30000E+00"


def test_a_device_that_never_answered_was_not_changed_and_is_not_restored(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("harness.supply.wire.REPLY_SECONDS", 0.05)
    port = LinePort(lambda _: None)
    with pytest.raises(SupplyTrouble) as silent, on(port):
        pass
    assert str(silent.value) == (
        '/dev/ttyS9: the bench supply did not answer "*IDN?" within 0.05 s; check that it is on, '
        "its cable and speed (baud), and that remote control over this port is enabled"
    )
    assert port.said == ["*IDN?"]


def test_a_port_that_is_not_there_is_named(tmp_path: Path) -> None:
    supply = open_supply(SPEC, str(tmp_path / "nothing"))
    with pytest.raises(SupplyTrouble, match=r"nothing: there is no such port; is the bench supply"):
        supply.__enter__()


def test_the_cautions_say_what_the_supply_may_do() -> None:
    assert cautions(SPEC)[-1] == (
        "Supply /dev/ttyS9: nominal 3.3 V, never below 2.7 V or above 3.6 V (board.toml), current "
        "limit 150 mA. The nominal voltage is restored at the end."
    )


def test_a_thread_that_goes_on_after_the_end_cannot_set_a_voltage() -> None:
    heard: list[float] = []
    device = instrument(heard)
    supply = on(LinePort(device.answer)).__enter__()
    refused: list[SupplyTrouble] = []

    def sweep() -> None:
        try:
            while True:
                for volts in (2.8, 3.0):
                    supply.set_volts(volts)
        except SupplyTrouble as error:
            refused.append(error)

    thread = threading.Thread(target=sweep)
    thread.start()
    while len(heard) < 20:
        time.sleep(0.001)
    supply.__exit__(None, None, None)
    thread.join(10)
    assert [str(error) for error in refused] == ["/dev/ttyS9: the bench supply is not in use"]
    assert heard[-1] == pytest.approx(3.3)


VICTIM = """
import sys, time
from tests.unit.supply.instruments import SPEC
from harness.supply import open_supply
with open_supply(SPEC, sys.argv[1]) as supply:
    supply.set_volts(2.8)
    print("low", flush=True)
    time.sleep(30)
"""


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_process_that_is_told_to_end_restores_first(name: str) -> None:
    heard: list[float] = []
    device = VirtualSupply(3.3, heard.append)
    device.start()
    program = [sys.executable, "-c", VICTIM, device.port]
    root = Path(__file__).parents[3]
    with subprocess.Popen(program, stdout=subprocess.PIPE, cwd=root, stderr=subprocess.DEVNULL,
                          env={**os.environ, "PYTHONPATH": str(root)}) as victim:  # fmt: skip
        assert victim.stdout is not None
        assert victim.stdout.readline() == b"low\n"
        victim.send_signal(getattr(signal, name))
        assert victim.wait(20) != 0
    end = time.monotonic() + 2
    while heard[-1] != pytest.approx(3.3) and time.monotonic() < end:
        time.sleep(0.01)
    assert heard == [pytest.approx(2.8), pytest.approx(3.3)]


def test_a_check_finds_nothing_while_the_voltage_is_there_and_sets_nothing() -> None:
    port = LinePort(instrument().answer)
    with on(port) as supply:
        supply.set_volts(3.0)
        del port.said[:]
        supply.check(3.0)
        assert port.said == ["OUTP?", "MEAS:VOLT?", "MEAS:CURR?", "SYST:ERR?"]


def test_a_check_tells_of_an_output_that_went_off_and_of_what_the_device_says() -> None:
    device = instrument()
    with on(LinePort(device.answer)) as supply:
        device.answer("OUTP OFF")
        device.answer("NONSENSE")
        with pytest.raises(SupplyTrouble) as off:
            supply.check(3.3)
    assert str(off.value) == (
        "/dev/ttyS9: the output of the bench supply is off, and this program did not switch it "
        "off; its protection may have tripped; with the power off, look for a short and check its "
        "current limit; the bench supply reports an error: -113, Undefined header"
    )
    assert device.answer("OUTP?") == "0", "nobody switches a supply on that tripped"


def test_a_check_tells_of_a_voltage_that_left_its_tolerance() -> None:
    port = LinePort(instrument().answer)
    with on(port) as supply:
        port.answer = but(port.answer, MEAS_VOLT="3.36")
        with pytest.raises(SupplyTrouble, match=r"3\.3 V was set, but 3\.36 V is measured now"):
            supply.check(3.3)
        port.answer = but(port.answer, MEAS_VOLT="3.26")
        supply.check(3.3)

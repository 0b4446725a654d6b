"""The SCPI messages to a bench supply, and the meaning of its replies.

One rule: text only; no port, no clock. Commands are of the SCPI-99 command reference (volume 2:
MEASure, OUTPut, SOURce, SYSTem) and the common commands of IEEE 488.2 (``*IDN?``, ``*CLS``).
:func:`voltage_message` is the only place in the tool that creates a message to set a voltage.
"""

from __future__ import annotations

import re

from harness.errors import ConfigError
from harness.supply.model import Limits

IDENTIFY = "*IDN?"
CLEAR = "*CLS"
NEXT_ERROR = "SYST:ERR?"
VOLTAGE = "SOUR:VOLT?"
CURRENT = "SOUR:CURR?"
OUTPUT = "OUTP?"
MEASURED_VOLTAGE = "MEAS:VOLT?"
MEASURED_CURRENT = "MEAS:CURR?"
OUTPUT_ON = "OUTP ON"
OUTPUT_OFF = "OUTP OFF"

_ERROR = re.compile(r'\s*([+-]?\d{1,6})\s*,\s*"((?:[^"]|"")*)"\s*', re.ASCII)


def voltage_message(volts: float, limits: Limits) -> str:
    """Make the message that sets a voltage, in steps of 0.1 mV.

    The limits are compared with the digits that would be sent. Raises ConfigError,
    with the profile and its key, for a voltage outside them.
    """
    text = f"{volts:.4f}"
    if not float(text) >= limits.low_v:
        raise _outside(text, "below", "supply_min_v", limits.low_v, limits)
    if not float(text) <= limits.high_v:
        raise _outside(text, "above", "supply_max_v", limits.high_v, limits)
    return f"SOUR:VOLT {text}"


def current_message(limits: Limits) -> str:
    """Make the message that sets the current limit, in steps of 0.1 mA."""
    return f"SOUR:CURR {limits.current_a:.4f}"


def read_error(reply: str) -> tuple[int, str]:
    """Read a reply to ``SYST:ERR?``: a number and a text in quotes (SCPI-99 volume 2, 21.8).

    The number is 0 if the error queue is empty. Raises ValueError for any other text.
    """
    match = _ERROR.fullmatch(reply)
    if match is None:
        raise ValueError(f'"{reply}" is not an error queue entry')
    return int(match.group(1)), match.group(2).replace('""', '"')


def _outside(text: str, side: str, key: str, bound: float, limits: Limits) -> ConfigError:
    return ConfigError.of(
        "voltage-outside-limits",
        limits.path,
        f'{text} V is {side} "{key}", which is {bound} V; nothing was sent to the supply',
        "choose a voltage within the limits of the board and chip",
    )

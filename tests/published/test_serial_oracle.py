"""Serial lines as an independent decoder reads them: libsigrokdecode's, see serial_oracle.py."""

from __future__ import annotations

import json

import numpy as np
import pytest

from harness.convert.decode import Item, decode
from harness.convert.levels import LineLevels
from harness.records import Parity, SerialInterface, SerialKind
from tests.published.serial_oracle import KEPT, Case

CASES: list[Case] = json.loads(KEPT.read_text(encoding="utf-8"))


def decoded(case: Case) -> tuple[Item, ...]:
    settings = dict(case["settings"])
    if "parity" in settings:
        settings["parity"] = Parity(settings["parity"])
    names: Case = dict.fromkeys(case["lines"], "")
    port = SerialInterface("line", SerialKind(case["kind"]), **settings, **names)
    lines = {}
    for role, digits in case["lines"].items():
        level = np.array([int(digit) for digit in digits], np.int8)
        lines[role] = LineLevels(level, np.zeros(len(level), np.bool_))
    return decode(port, lines)


def of_kind(kind: str) -> list[Case]:
    cases = [case for case in CASES if case["kind"] == kind]
    assert len(cases) >= 12
    return cases


def test_characters_are_those_of_the_other_decoder_and_so_are_their_faults() -> None:
    """Every setting; where both parity and stop bit are wrong, the last fault is told."""
    for case in of_kind("uart"):
        said = [[item.value, item.fault] for item in decoded(case)]
        assert said == case["items"], case["settings"]


def test_words_of_spi_are_those_of_the_other_decoder_in_all_modes() -> None:
    for case in of_kind("spi"):
        items = decoded(case)
        said = [
            [mosi.value, miso.value]
            for mosi, miso in zip(
                (item for item in items if item.role == "mosi"),
                (item for item in items if item.role == "miso"),
                strict=True,
            )
        ]
        assert said == case["items"], case["settings"]


def test_bytes_of_i2c_and_their_frame_are_those_of_the_other_decoder() -> None:
    for case in of_kind("i2c"):
        said = [item.mark or [item.value, item.ack] for item in decoded(case)]
        assert said == case["items"], case["lines"]


@pytest.mark.parametrize("fault", ["", "wrong parity", "no stop bit"])
def test_the_kept_characters_show_every_fault(fault: str) -> None:
    assert any(fault == item[1] for case in of_kind("uart") for item in case["items"])

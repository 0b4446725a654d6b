"""Levels of serial lines, and what the protocol decoders of libsigrokdecode make of them.

The one rule: values and faults come from those decoders alone. They are a general-purpose library
under another licence, so they are not installed with the tests; what they said is kept in
``data/serial_lines.json``. To write it again, in an environment of its own::

    pip install pysigrok==0.4.2 pysigrok-libsigrokdecode==0.0.2
    python -m tests.published.serial_oracle
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator, Mapping
from itertools import product
from pathlib import Path
from typing import Any

KEPT = Path(__file__).parent / "data" / "serial_lines.json"

Case = dict[str, Any]
"""``kind``, ``settings`` of the interface, ``lines`` (a digit for each cycle), ``items``."""


def uart_cases(chance: random.Random) -> Iterator[Case]:
    """Characters with every setting, some with a wrong parity or stop bit, at rest between them."""
    settings = product((3, 8), (5, 8, 9), ("none", "even", "odd"), (1, 2), ("lsb", "msb"))
    for cycles, bits, parity, stop, order in settings:
        line = "1" * 2 * cycles
        for _ in range(4):
            value = chance.getrandbits(bits)
            places = range(bits) if order == "lsb" else reversed(range(bits))
            data = [value >> place & 1 for place in places]
            check = [] if parity == "none" else [sum(data) + (parity == "odd") & 1]
            if check and chance.random() < 0.3:
                check = [1 - check[0]]
            end = [1] * stop if chance.random() < 0.8 else [0] * stop
            rest = [1] * (1 if end[0] == 0 else chance.getrandbits(1))
            line += "".join(str(bit) * cycles for bit in (0, *data, *check, *end, *rest))
        yield {
            "kind": "uart",
            "settings": {"bit_cycles": cycles, "data_bits": bits, "parity": parity,
                         "stop_bits": stop, "lsb_first": order == "lsb"},
            "lines": {"tx": line + "1" * 3 * cycles},
        }  # fmt: skip


def spi_cases(chance: random.Random) -> Iterator[Case]:
    """Transfers in the four modes: data changes at one edge and is taken at the other."""
    choices = product(range(4), ((2, 12), (4, 8)), ("lsb", "msb"), (0, 1))
    for mode, (cycles, bits), order, high in choices:
        rest, half = str(mode >> 1), cycles // 2
        other = str(1 - int(rest))
        lines = {"sck": "", "cs": "", "mosi": "", "miso": ""}

        def add(sck: str, cs: int, data: tuple[int, int], count: int) -> None:
            for name, level in zip(lines, (sck, str(cs), *map(str, data)), strict=True):  # noqa: B023
                lines[name] += level * count  # noqa: B023

        add(rest, 1 - high, (0, 0), 2)
        for _ in range(2):
            add(rest, high, (0, 0), half)
            for _ in range(2 * bits):
                data = chance.getrandbits(1), chance.getrandbits(1)
                first, second = (rest, other) if mode % 2 == 0 else (other, rest)
                add(first, high, data, half)
                add(second, high, data, half)
            add(rest, high, (0, 0), half)
            add(rest, 1 - high, (0, 0), half)
        settings = {"bit_cycles": cycles, "mode": mode, "data_bits": bits,
                    "lsb_first": order == "lsb", "cs_active_high": bool(high)}  # fmt: skip
        yield {"kind": "spi", "settings": settings, "lines": lines}


def i2c_cases(chance: random.Random) -> Iterator[Case]:
    """Starts, bytes with and without acknowledgement, repeated starts and stops."""
    for quarter in (1, 2, 3):
        for _ in range(4):
            scl, sda = "1" * quarter, "1" * quarter
            for again in range(2):
                for levels in (("0" * again + "1", "1" * again + "1"), ("1", "0"), ("0", "0")):
                    scl += "".join(level * quarter for level in levels[0])
                    sda += "".join(level * quarter for level in levels[1])
                for _ in range(9 * chance.randint(1, 3)):
                    bit = str(chance.getrandbits(1))
                    scl += "".join(level * quarter for level in "0110")
                    sda += bit * 4 * quarter
            scl += "".join(level * quarter for level in "0111")
            sda += "".join(level * quarter for level in "0011")
            yield {
                "kind": "i2c",
                "settings": {"bit_cycles": 4 * quarter},
                "lines": {"scl": scl, "sda": sda},
            }


class _Samples:
    """The levels as the decoders ask for them: sample by sample until a condition holds."""

    samplerate = 1_000_000

    def __init__(self, lines: Mapping[str, str], matches: Callable[..., bool]) -> None:
        columns = zip(*lines.values(), strict=True)
        self.words = [sum(int(bit) << k for k, bit in enumerate(bits)) for bits in columns]
        self.matches, self.samplenum = matches, -1
        self.matched: tuple[bool, ...] = ()

    def wait(self, conditions: list[dict[Any, Any]]) -> list[int]:
        waits = [dict(condition) for condition in conditions]
        while True:
            self.samplenum += 1
            if self.samplenum >= len(self.words):
                raise EOFError
            now = self.words[self.samplenum]
            before = self.words[self.samplenum - 1] if self.samplenum else now
            for condition in waits:
                if "skip" in condition:
                    condition["skip"] -= 1
            self.matched = tuple(self.matches(condition, before, now) for condition in waits)
            if not waits or any(self.matched):
                return [now >> k & 1 for k in range(8)]


def _decoded(name: str, options: Case, lines: Mapping[str, str]) -> list[Any]:
    """Run a decoder; return what it says, in its own words."""
    import sigrokdecode as srd  # type: ignore[import-not-found]  # noqa: PLC0415 - only here

    decoder = srd.get_decoder(name)()
    decoder.options = {o["id"]: o["default"] for o in getattr(decoder, "options", ())} | options
    for number, channel in enumerate(lines):
        decoder.set_channelnum({"sck": "clk"}.get(channel, channel), number)
    said: list[Any] = []
    decoder.add_callback(srd.OUTPUT_PYTHON, None, lambda _, __, data: said.append(data))
    decoder.reset()
    decoder.metadata(srd.SRD_CONF_SAMPLERATE, _Samples.samplerate)
    decoder.start()
    decoder.run(_Samples(lines, srd.cond_matches))
    return said


def _uart_items(case: Case) -> list[Any]:
    settings = case["settings"]
    options = {
        "baudrate": _Samples.samplerate / settings["bit_cycles"],
        "data_bits": settings["data_bits"],
        "parity": settings["parity"],
        "stop_bits": float(settings["stop_bits"]),
        "bit_order": "lsb-first" if settings["lsb_first"] else "msb-first",
    }
    items: list[Any] = []
    for kind, _, data in _decoded("uart", options, case["lines"]):
        if kind == "DATA":
            items.append([data[0], ""])
        elif kind == "PARITY ERROR":
            items[-1][1] = "wrong parity"
        elif kind == "INVALID STOPBIT":
            items[-1][1] = "no stop bit"
    return items


def _spi_items(case: Case) -> list[Any]:
    settings = case["settings"]
    options = {
        "cpol": settings["mode"] >> 1,
        "cpha": settings["mode"] & 1,
        "wordsize": settings["data_bits"],
        "bitorder": "lsb-first" if settings["lsb_first"] else "msb-first",
        "cs_polarity": "active-high" if settings["cs_active_high"] else "active-low",
    }
    said = _decoded("spi", options, case["lines"])
    return [[mosi, miso] for kind, mosi, miso in said if kind == "DATA"]


def _i2c_items(case: Case) -> list[Any]:
    items: list[Any] = []
    for kind, value in _decoded("i2c", {"address_format": "unshifted"}, case["lines"]):
        if kind in {"START", "START REPEAT", "STOP"}:
            items.append(kind.split()[0].lower())
        elif kind in {"ADDRESS READ", "ADDRESS WRITE", "DATA READ", "DATA WRITE"}:
            items.append([value, None])
        elif kind in {"ACK", "NACK"}:
            items[-1][1] = int(kind == "NACK")
    return items


def main() -> None:
    """Write the file of kept cases."""
    chance = random.Random(1)
    makers = ((uart_cases, _uart_items), (spi_cases, _spi_items), (i2c_cases, _i2c_items))
    cases = [case | {"items": items(case)} for make, items in makers for case in make(chance)]
    text = "[\n" + ",\n".join(json.dumps(case) for case in cases) + "\n]\n"
    KEPT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

"""Attacks on JEDEC files: what is accepted must be the vectors that a plain reading finds.

One rule: the plain reading splits and counts, and shares nothing with the reader of the tool.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from random import Random

from harness.convert import read_jesd3
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong
from tests.attack.damage import TEXT, damaged


def _whole(body: str, checksum: str = "") -> bytes:
    """A file with its checksum, added up plainly."""
    block = f"\x02{body}\x03".encode("ascii")
    return block + (checksum or f"{sum(block) % 65536:04x}").encode("ascii") + b"\r\n"


SOUND = (
    _whole("Part\r\n*\r\nN pin 1 = clk*\r\nQP4*QV3*X0*\r\nV0001 0CHN*\r\nN go*\r\nV0002 1KLN*\r\n"),
    _whole("*QP3*P 7 3 12*F0*L000 1111*L028 0101*C124E*V2 1HZ*V1 0 F\n L*V2 KXL*N end*", "0000"),
    _whole("A*T01*R0*V1 01*V5 HL*\n"),
    _whole("Long*\n" + "".join(f"V{n:04d} {n % 2}{'HL'[n % 3 % 2]}CZ*\n" for n in range(1, 800))),
)
_SPACE = " \t\r\n"


def plain_vectors(data: bytes) -> list[str]:
    """Conditions of each vector in the order of the numbers; the last of a number counts."""
    body = data[data.index(2) + 1 : data.index(3)].decode("latin-1")
    found: dict[int, str] = {}
    for text in body.split("*")[1:-1]:
        if text.strip(_SPACE).startswith("V"):
            number, *conditions = text.strip(_SPACE)[1:].split()
            found[int(number)] = "".join(conditions)
    return [found[number] for number in sorted(found)]


class Jesd3Files:
    """JEDEC files, damaged; half of them get a true checksum again, or nothing else is reached."""

    def make(self, random: Random) -> bytes:
        case = damaged(random.choice(SOUND), random, TEXT)
        end = case.find(3)
        if end > 0 and random.random() < 0.5:
            return case[: end + 1] + b"0000\n"
        return case

    def judge(self, case: bytes) -> str:
        file, findings = read_jesd3(case, Path("attack.jed"))
        errors = [found for found in findings if found.severity == "error"]
        if (file is None) != bool(errors):
            raise Wrong("a file with errors is given out, or one without is not")
        if file is None:
            return REFUSED
        start, end = case.index(2), case.index(3)
        told = int(case[end + 1 :].split()[0][:4], 16)
        if told not in {0, sum(byte & 127 for byte in case[start : end + 1]) % 65536}:
            raise Wrong("a file with a wrong checksum is accepted")
        expected = plain_vectors(case)
        found = [row.tobytes().decode("ascii") for row in file.symbols]
        if found != expected:
            raise Wrong(f"the vectors are read as others: {_first(found, expected)}")
        return SAME if case in SOUND else DIFFERENT


def _first(found: Sequence[str], expected: Sequence[str]) -> str:
    pairs = zip(found, expected, strict=False)
    return next((f"{a} for {b}" for a, b in pairs if a != b), f"{len(found)} of {len(expected)}")


def jesd3_files(folder: Path) -> Attack:
    """JEDEC files; nothing is written."""
    del folder
    return Jesd3Files()

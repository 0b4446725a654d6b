"""Attacks on text tables: what is accepted must mean what a plain reading of the text says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from harness.errors import Findings
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong
from tests.attack.damage import TEXT, damaged
from tests.attack.plain_table import Plain, Rows, Unsound, read_plainly, rows_of_text
from tests.unit.table.tables import Desk, make_desk

SOUND = (
    b"rst_n,clk,d,q,co,repeat,label,note\n0,C,5,0,L,,clear,why\n1,C,,6,H,3,,\n,,0xF,,X,,end,\n",
    b'# head\n d , q , label, note\n\n 1, 2 , first ,"a, ""b"""\n#1,1\n  # x\n"3",4,,\n',
    (b"clk,d,en,dq,q[3],out0,wide,co,repeat\r\nC,0b1x01,1,01HL,H,L,0b1x0x,H,until 20\r\n"
    b",,F,Z,,,3,L,2_000\r\nK,0x3,0,N,X,,12,z,\r\n"),
    b"clk,d,q,co\n" + b"".join(b"C,%d,%d,H\n" % (n % 16, n * 7 % 16) for n in range(40)),
    b"d,q,wide,dq\n" + b"".join(b"%d,0x%x,%d,HLZX\n" % (n % 10, n % 16, n % 9) for n in range(900)),
)  # fmt: skip


@dataclass(frozen=True)
class Tables:
    """Tables of one suffix."""

    desk: Desk
    name: str
    separator: str
    sound: Sequence[bytes]

    def make(self, random: Random) -> bytes:
        return damaged(random.choice(self.sound), random, TEXT)

    def judge(self, case: bytes) -> str:
        try:
            rows: Rows = tuple(rows_of_text(case, self.separator))
            plain: Plain | str = read_plainly(rows, self.desk.design, self.desk.shuttle)
        except Unsound as why:
            plain = str(why)
        return compare(self.desk, case, self.name, plain)


def compare(desk: Desk, case: bytes, name: str, plain: Plain | str) -> str:
    """Compare the tool's reading with the plain one, which may be the reason for a refusal."""
    pattern, findings = desk.check(case, name)
    told = Findings(list(findings)).errors
    if pattern is None and not told:
        raise Wrong("no pattern, and no error is told")
    if told:
        if isinstance(plain, Plain):
            raise Wrong(f"a sound table is refused: {told[0].rule}")
        return REFUSED
    if isinstance(plain, str):
        raise Wrong(f"a table is accepted that breaks a rule: {plain}")
    assert pattern is not None
    difference = plain.difference(pattern)
    if difference:
        raise Wrong(f"the table is read as another: {difference}")
    return SAME if case in SOUND else DIFFERENT


def csv_tables(folder: Path) -> Attack:
    """Comma-separated tables."""
    return Tables(make_desk(folder), "t.csv", ",", SOUND)


def tsv_tables(folder: Path) -> Attack:
    """Tab-separated tables."""
    sound = [data.replace(b",", b"\t") for data in SOUND]
    return Tables(make_desk(folder), "t.tsv", "\t", sound)

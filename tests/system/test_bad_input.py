"""Mistakes of people and boards, by the command line: message, exit code, nothing lost.

Every message says where, what is wrong and what to do; nothing here ends in a traceback.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.cli import main

ROOT = Path(__file__).resolve().parents[2]
HEAD = "bcd,lt_n,rbi_n,bi_n,seg,rbo_n,label"
ROW = "0,1,1,1,HHHHHHL,H,zero"


@dataclass(frozen=True)
class Bench:
    """A shuttle of one design, a board profile and a rack of one virtual slot, to be spoiled."""

    folder: Path

    @property
    def table(self) -> Path:
        return self.folder / "vectors/bcd7seg/function.csv"

    @property
    def rack(self) -> Path:
        return self.folder / "rack.toml"

    @property
    def store(self) -> Path:
        return self.folder / "results.sqlite"

    def edit(self, name: str, before: str, after: str) -> Path:
        path = self.folder / name
        text = path.read_text("utf-8")
        assert text.count(before) == 1
        path.write_text(text.replace(before, after), "utf-8")
        return path

    def run(self, *options: str) -> int:
        kept = ("--store", str(self.store), "--out", str(self.folder / "out"))
        return main(["run", str(self.rack), *kept, *options])


def make_bench(folder: Path) -> Bench:
    """Copy the smallest design of the demo, its board profile, and a rack of one slot."""
    text = (ROOT / "vectors/shuttle.toml").read_text("utf-8")
    (folder / "vectors").mkdir()
    only = re.sub(r"designs = \[.*?\]", 'designs = ["bcd7seg"]', text, flags=re.DOTALL)
    only = re.sub(r"(?m)^(# [^\n]*\n)?pin_check = .*\n", "", only)
    (folder / "vectors/shuttle.toml").write_text(only, "utf-8")
    shutil.copytree(ROOT / "vectors/bcd7seg", folder / "vectors/bcd7seg")
    shutil.copy(ROOT / "ci/wader.toml", folder / "wader.toml")
    (folder / "rack.toml").write_text(
        'shuttle = "vectors/shuttle.toml"\nprofile = "wader.toml"\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n',
        "utf-8",
    )
    return Bench(folder)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


Screen = pytest.CaptureFixture[str]


def refused(bench: Bench, screen: Screen, *findings: str) -> None:
    """Both commands name every finding and stop with 2 before any board is touched."""
    files = (bench.rack, bench.folder / "vectors")
    assert main(["check", *map(str, files)]) == 2
    checked = screen.readouterr()
    assert bench.run() == 2
    ran = screen.readouterr()
    assert (checked.err, ran.out) == ("", "")
    for finding in findings:
        assert f"{finding}\n" in checked.out
        assert finding in ran.err
    errors = len([line for line in ran.err.splitlines() if "error [" in line])
    assert errors == len(findings)


UNREADABLE: dict[str, tuple[str | bytes, str]] = {
    "an unknown column": (
        f"{HEAD.replace('seg', 'sgg')}\n{ROW}\n",
        '1:21: error [unknown-column] design "bcd7seg" has no signal "sgg"; did you mean "seg"?',
    ),
    "a doubled column": (
        f"{HEAD.replace('rbi_n', 'bcd')}\n{ROW}\n",
        '1:10: error [doubled-column] column "bcd" appears twice; remove one of them',
    ),
    "an output's symbol on an input": (
        f"{HEAD}\n0,H,1,1,HHHHHHL,H,\n",
        (
            '2:3: error [symbol-not-allowed] "H" tests a pin, but "lt_n" is an input; '
            "write 1 to drive it high"
        ),
    ),
    "an input's symbol on an output": (
        f"{HEAD}\n0,1,1,1,HHHHHHL,1,\n",
        (
            '2:17: error [symbol-not-allowed] "1" drives a pin, but "rbo_n" is an output; '
            "write H to test for 1"
        ),
    ),
    "a number too wide for its bus": (
        f"{HEAD}\n16,1,1,1,HHHHHHL,H,\n",
        (
            '2:1: error [number-too-wide] "16" does not fit in the 4 pins of "bcd"; '
            "the largest number is 15 (0xf)"
        ),
    ),
    "a row with a cell too few": (
        f"{HEAD}\n{ROW}\n0,1,1,1,HHHHHHL,H\n",
        (
            "3:18: error [ragged-row] the header has 7 columns, but this row has 6; "
            "write a cell for every column; leave unused cells empty"
        ),
    ),
    "a row with a cell too many": (
        f"{HEAD}\n{ROW},x\n",
        (
            "2:24: error [ragged-row] the header has 7 columns, but this row has 8; "
            "write a cell for every column; leave unused cells empty"
        ),
    ),
    "no row at all": (
        f"{HEAD}\n# nothing\n",
        " error [empty-table] the table has no rows; write a header and at least one row",
    ),
    "nothing at all": (
        "",
        " error [empty-table] the table has no rows; write a header and at least one row",
    ),
    "repeat 0": (
        f"{HEAD},repeat\n{ROW},0\n",
        "2:24: error [repeat-below-one] repeat is 0; write a count of at least 1",
    ),
    "a negative repeat": (
        f"{HEAD},repeat\n{ROW},-3\n",
        "2:24: error [repeat-below-one] repeat is -3; write a count of at least 1",
    ),
    "until 0": (
        f"{HEAD},repeat\n{ROW},until 0\n",
        "2:24: error [repeat-below-one] repeat is 0; write a count of at least 1",
    ),
    "until with nothing to test": (
        f"{HEAD},repeat\n{ROW},1\n0,1,1,1,X,,,until 5\n",
        (
            "3:13: error [until-tests-nothing] until has nothing to wait for: no output is tested "
            "in this row; write H, L or a number on an output, or use a plain count"
        ),
    ),
    "Latin-1": (
        f"{HEAD}\n0,1,1,1,HHHHHHL,H,gr\xfcn\n".encode("latin-1"),
        (
            "2:21: error [not-utf8] byte 0xFC is not valid UTF-8 (Latin-1 or Windows text?); "
            "save the file as UTF-8"
        ),
    ),
    "a NUL byte": (
        f"{HEAD}\n0,1,1,1,HHHHHHL,H,a\0b\n",
        (
            "2:20: error [nul-byte] the file contains a NUL byte, so it is not text; "
            "export it again as UTF-8 text"
        ),
    ),
    "one line of 10 MB": (
        f"{HEAD}\n0,1,1,1,HHHHHHL,H,{'x' * 10_000_000}\n",
        (
            "2:100001: error [line-too-long] the line is longer than 100,000 bytes; "
            "end each row with a line break"
        ),
    ),
    "one line of 10 MB and nothing else": (
        "x" * 10_000_000,
        (
            "1:100001: error [line-too-long] the line is longer than 100,000 bytes; "
            "end each row with a line break"
        ),
    ),
}


@pytest.mark.parametrize("what", UNREADABLE)
def test_a_table_that_cannot_be_used_is_refused_at_its_place(
    bench: Bench, capsys: Screen, what: str
) -> None:
    content, finding = UNREADABLE[what]
    bench.table.write_bytes(content if isinstance(content, bytes) else content.encode())
    refused(bench, capsys, f"{bench.table}:{finding}")


def test_every_fault_of_a_table_is_told_at_once(bench: Bench, capsys: Screen) -> None:
    bench.table.write_text(f"{HEAD}\n16,H,1,1,HHHHHHL,H,\n0,1\n", "utf-8")
    places = [f"{bench.table}:{place}: error" for place in ("2:1", "2:4", "3:4")]
    assert bench.run() == 2
    told = capsys.readouterr().err
    assert all(place in told for place in places)


@pytest.mark.parametrize(
    ("content", "remark"),
    [
        (
            b"\xef\xbb\xbf" + f"{HEAD}\n{ROW}\n".encode(),
            (
                "1:1: warning [byte-order-mark] the file starts with a byte-order mark, which is "
                "ignored; save it as UTF-8 without a byte-order mark"
            ),
        ),
        (f"{HEAD}\r\n{ROW}\r\n".encode(), ""),
    ],
    ids=["byte-order mark", "CR LF"],
)
def test_the_marks_of_other_systems_do_not_stop_a_table(
    bench: Bench, capsys: Screen, content: bytes, remark: str
) -> None:
    bench.table.write_bytes(content)
    assert main(["check", str(bench.table)]) == 0
    told = capsys.readouterr().out
    assert told == (f"{bench.table}:{remark}\n0 errors, 1 warning\n" if remark else
                    "0 errors, 0 warnings\n")  # fmt: skip


SETTINGS = {
    "an unknown key of a rack": (
        ("rack.toml", 'board = "WB-01"', 'board = "WB-01"\nchp = "x"'),
        '7:1: error [unknown-key] unknown key "chp" in [slot[0]]; did you mean "chip"?',
    ),
    "an unknown key of a shuttle": (
        ("vectors/shuttle.toml", "[pins]", "[pins]\nresett = 1"),
        '9:1: error [unknown-key] unknown key "resett" in [pins]; did you mean "reset"?',
    ),
    "an unknown key of a design": (
        ("vectors/bcd7seg/design.toml", "clock_hz = 50_000", "clok_hz = 50_000"),
        ('21:1: error [unknown-key] unknown key "clok_hz" in [tables.function]; '
        'did you mean "clock_hz"?'),
    ),
    "an unknown key of a profile": (
        ("wader.toml", "supply_limit_ma", "suply_limit_ma"),
        '7:1: error [unknown-key] unknown key "suply_limit_ma"; did you mean "supply_limit_ma"?',
    ),
    "two pins on one controller pin": (
        ("wader.toml", "in1 = 3", "in1 = 2"),
        ('15:1: error [controller-pin-twice] controller pin 2 is already wired to "in0"; '
        "give each chip pin a controller pin of its own"),
    ),
    "a slot without a chip": (
        ("rack.toml", 'chip = "SP2-0001"\n', ""),
        '3:3: error [missing-key] [slot[0]] has no "chip"; add it: a string in quotes',
    ),
    "a chip serial number of no chip": (
        ("rack.toml", "SP2-0001", "SP2-1"),
        ('7:1: error [chip-serial] chip serial "SP2-1" is not one of Sandpiper 2, whose serials '
        "match SP2-[0-9]{4}; write the serial number as printed on the chip"),
    ),
    "a chip in two slots": (
        ("rack.toml", 'chip = "SP2-0001"\n',
         'chip = "SP2-0001"\n[[slot]]\nname = "A2"\nport = "virtual"\nchip = "SP2-0001"\n'),
        ('11:1: error [doubled-chip] chip "SP2-0001" is already used in line 7; '
        "every slot has its own"),
    ),
    "text that is not TOML": (
        ("rack.toml", "profile =", "profile"),
        ("2:9: error [toml-syntax] not valid TOML: Expected '=' after a key in a key/value pair; "
        "correct this line; strings need quotes"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", SETTINGS)
def test_a_settings_file_that_cannot_be_used_is_refused_at_its_place(
    bench: Bench, capsys: Screen, what: str
) -> None:
    edit, finding = SETTINGS[what]
    refused(bench, capsys, f"{bench.edit(*edit)}:{finding}")


def test_two_designs_with_one_address_are_refused(bench: Bench, capsys: Screen) -> None:
    shutil.copytree(bench.folder / "vectors/bcd7seg", bench.folder / "vectors/twin")
    bench.edit("vectors/shuttle.toml", '["bcd7seg"]', '["bcd7seg", "twin"]')
    twin = bench.edit("vectors/twin/design.toml", 'name = "bcd7seg"', 'name = "twin"')
    refused(
        bench,
        capsys,
        f'{twin}:4:1: error [address-twice] address 1 is already used by design "bcd7seg"; '
        "give each design its own address",
    )

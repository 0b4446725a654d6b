"""Shuttle and design files: what is read, and the finding for each fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from harness.errors import MAX_FINDINGS, ConfigError, Finding, Severity
from harness.shuttle import Direction, check_shuttle, expand_range, load_shuttle
from tests.unit.shuttle.bench import DESIGN, SHUTTLE, write_files

WAIVER = """
[[waiver]]
design = "count"
table = "main"
chips = ["PL-01"]
owner = "Wilma Dunlin"
reason = "mask error"
ticket = "LT-1"
expiry = 2099-01-31
pin = "q"
"""


def rules(findings: list[Finding]) -> list[str]:
    return [found.rule for found in findings]


def test_pins_have_bits_in_the_fixed_order(tmp_path: Path) -> None:
    _, shuttle = write_files(tmp_path).load()
    assert [pin.name for pin in shuttle.pins][::9] == ["in0", "out0", "io0"]
    assert {name: shuttle.pins_by_name[name].bit for name in ("io3", "clk", "nreset", "selc")} == {
        "io3": 21,
        "clk": 22,
        "nreset": 23,
        "selc": 25,
    }
    assert shuttle.reset_active_low
    assert shuttle.mask(Direction.SELECT) == 0b11 << 24


def test_the_order_in_the_file_does_not_move_bits(tmp_path: Path) -> None:
    lines = SHUTTLE.split("\n")
    at = lines.index("[pins]")
    turned = "\n".join([*lines[: at + 1], *reversed(lines[at + 1 : -1]), ""])
    _, plain = write_files(tmp_path).load()
    _, other = write_files(tmp_path, turned).load()
    assert other.pins == plain.pins
    assert other.sha256 != plain.sha256


def test_a_design_has_its_signals_and_tables(tmp_path: Path) -> None:
    design, _ = write_files(tmp_path).load()
    assert [pin.name for pin in design.signals_by_name["d"].pins] == ["in3", "in2", "in1", "in0"]
    assert design.signals_by_name["clk"].direction is Direction.INPUT
    assert design.signals_by_name["dq"].direction is Direction.BIDIRECTIONAL
    table = design.tables[0]
    assert (table.path, table.clock_hz, table.reset_cycles) == (
        tmp_path.resolve() / "count" / "main.csv",
        50_000,
        2,
    )
    assert design.top == "count"


def test_a_bidirectional_pin_may_be_used_one_way(tmp_path: Path) -> None:
    text = DESIGN.replace('"io3..io0"', '{ pins = ["io3..io0"], direction = "output" }')
    design, _ = write_files(tmp_path, design=text).load()
    assert design.signals_by_name["dq"].direction is Direction.OUTPUT


def test_a_folder_stands_for_its_shuttle_file(tmp_path: Path) -> None:
    write_files(tmp_path)
    assert load_shuttle(tmp_path).name == "Plover"


def test_all_findings_are_raised_together(tmp_path: Path) -> None:
    files = write_files(tmp_path, SHUTTLE.replace('name = "Plover"', 'nam = "Plover"'), "x = 1\n")
    with pytest.raises(ConfigError) as raised:
        files.load()
    assert len(raised.value.findings) > 5


SHUTTLE_FAULTS = [
    ('organisation = "Low', 'organistion = "Low', "missing-key unknown-key"),
    ('"PL-[0-9]{2}"', '"PL-[0-9"', "bad-regular-expression"),
    ('"PL-[0-9]{2}"', r'"(P)L-\\1"', "bad-regular-expression"),
    ('"PL-[0-9]{2}"', '"PL-[0-9]{9999}"', "bad-regular-expression"),
    ('"in0..in8"', '"in0..in8", "in3"', "pin-listed-twice"),
    ('"in0..in8"', '"in0..in8", "a0..a9"', "too-many-pins"),
    ('"in0..in8"', '"in0..in8", "a 1"', "bad-pin-name"),
    ('"in0..in8"', '"in0..in8", "x0..y3"', "bad-pin-range"),
    ('"in0..in8"', '"in0..in8", "x0..x99999999999"', "bad-pin-range"),
    ('"low" }', '"lwo" }', "bad-level"),
    ('pin = "nreset", ', "", "missing-key unknown-pin"),
    ('clock = "clk"', 'clock = ["clk", "clk2"]', "one-pin-only"),
    ('["count"]', '["count", "other"]', "file-missing"),
    ('["count"]', '["count", "count"]', "design-name-twice address-twice"),
    ('["count"]', "[]", "no-designs"),
    ('["count"]', '["count", 3]', "wrong-type"),
]


@pytest.mark.parametrize(("old", "new", "expected"), SHUTTLE_FAULTS)
def test_a_fault_of_the_shuttle_is_found(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in SHUTTLE
    files = write_files(tmp_path, SHUTTLE.replace(old, new))
    assert sorted(rules(files.check())) == sorted(expected.split())


DESIGN_FAULTS = [
    ("address = 3", "adress = 3", "missing-key unknown-key"),
    ("address = 3", "address = -1", "out-of-range"),
    ("address = 3", "address = 65536", "out-of-range"),
    ('"worked by hand"', '""', "empty-text"),
    ("clock_hz = 1_000_000", "clock_hz = 0", "bad-rate"),
    ("clock_hz = 50_000", "clock_hz = -5", "bad-rate"),
    ("clock_hz = 50_000", "clock_hz = nan", "out-of-range"),
    ("clock_hz = 50_000", "clock_hz = 0.2", "bad-rate"),
    ("clock_hz = 50_000", "gap_free = 1", "wrong-type"),
    ("clock_hz = 50_000", 'contention = "fine"', "bad-contention"),
    ("clock_hz = 50_000", "contention = true", "wrong-type"),
    ("clock_hz = 50_000", "settle_us = -1", "out-of-range"),
    ("clock_hz = 50_000", "reset_cycles = -1", "out-of-range"),
    ("clock_hz = 50_000", "latency = { qq = 1 }", "latency-of-unknown-bus"),
    ("clock_hz = 50_000", "latency = { d = 1 }", "latency-of-unknown-bus"),
    ("clock_hz = 50_000", "latency = { q = -1 }", "out-of-range"),
    ("clock_hz = 50_000", "clock = 50_000", "unknown-key"),
    ('"main.csv"', '"mein.csv"', "file-missing"),
    ('name = "count"', 'name = "9count"', "bad-pin-name"),
    ('name = "count"', 'name = "count"\nverilog = ["a.v", "b.v"]', "file-missing file-missing"),
    ('name = "count"', 'name = "count"\nnetlist = "n.json"', "file-missing"),
    ('en = "in4"', 'en = "in3"', "pin-used-twice"),
    ('en = "in4"', 'en = ["in4", "in4"]', "pin-used-twice"),
    ('en = "in4"', 'en = "in44"', "unknown-pin"),
    ('en = "in4"', 'en = "seld"', "select-pin-used"),
    ('en = "in4"', 'note = "in4"', "reserved-name"),
    ('en = "in4"', '"e n" = "in4"', "bad-pin-name"),
    ('en = "in4"', "en = 4", "wrong-type"),
    ('dq = "io3..io0"', 'dq = ["io0", "in5"]', "mixed-directions"),
    ('dq = "io3..io0"', 'dq = { pins = "io0", direction = "sideways" }', "bad-direction"),
    ('dq = "io3..io0"', 'dq = { pins = "in5", direction = "output" }', "bad-direction"),
    ('dq = "io3..io0"', 'dq = { direction = "output" }', "missing-key"),
]


@pytest.mark.parametrize(("old", "new", "expected"), DESIGN_FAULTS)
def test_a_fault_of_a_design_is_found(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in DESIGN
    files = write_files(tmp_path, design=DESIGN.replace(old, new, 1))
    assert sorted(rules(files.check())) == sorted(expected.split())


LEADS_OUT = (
    "leads out of the folder of the shuttle; put it into the design's folder, or beside that"
)


@pytest.mark.parametrize("name", ["../../secret.csv", "{outside}", "link.csv", "linked/secret.csv"])
@pytest.mark.parametrize("key", ["verilog", "netlist", "file"])
def test_no_file_outside_of_the_shuttles_folder_is_read(
    tmp_path: Path, key: str, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("clk,q,password\nC,1,hunter2\n", "utf-8")
    (tmp_path / "in").mkdir()
    name = name.format(outside=secret)
    quoted = f'["{name}"]' if key == "verilog" else f'"{name}"'
    design = (
        DESIGN.replace('file = "main.csv"', f"file = {quoted}")
        if key == "file"
        else f"{key} = {quoted}\n{DESIGN}"
    )
    files = write_files(tmp_path / "in", design=design)
    (files.folder / "count/link.csv").symlink_to(secret)
    (files.folder / "count/linked").symlink_to(tmp_path)
    (finding,) = files.told()
    assert finding.startswith("count/design.toml:")
    assert finding.endswith(f': error [outside-folder] "{name}" {LEADS_OUT}')
    assert main(["check", str(files.shuttle_file)]) == 2
    said = capsys.readouterr()
    assert "hunter2" not in said.out + said.err
    assert "password" not in said.out + said.err


def test_designs_share_files_beside_them(tmp_path: Path) -> None:
    files = write_files(tmp_path, design=f'verilog = ["../common/ram.v", "own.v"]\n{DESIGN}')
    (tmp_path / "common").mkdir()
    (tmp_path / "common/ram.v").write_text("")
    (files.folder / "count/own.v").symlink_to("../common/ram.v")
    assert files.told() == []


@pytest.mark.parametrize("name", ["../theirs", "link"])
def test_no_design_outside_of_the_shuttles_folder_is_read(tmp_path: Path, name: str) -> None:
    (tmp_path / "in").mkdir()
    write_files(tmp_path / "in").folder.joinpath("count").rename(tmp_path / "theirs")
    files = write_files(tmp_path / "in", SHUTTLE.replace('"count"', f'"{name}"'))
    (files.folder / "link").symlink_to("../theirs")
    assert files.told() == [
        f'shuttle.toml:4:12: error [outside-folder] "{name}" {LEADS_OUT}',
    ]


def test_findings_point_at_line_and_column_in_file_order(tmp_path: Path) -> None:
    files = write_files(
        tmp_path,
        design=DESIGN.replace('"in4"', '["in3", "in44"]').replace(
            "50_000", "50_000\nreset_cycle = 1"
        ),
    )
    pin_twice, unknown_pin, unknown_key = files.told()
    assert pin_twice == (
        'count/design.toml:9:7: error [pin-used-twice] pin "in3" is already used by signal "d"; '
        "give each signal its own pins"
    )
    assert unknown_pin == (
        'count/design.toml:9:14: error [unknown-pin] the chip has no pin "in44"; '
        'did you mean "in4"?'
    )
    assert unknown_key == (
        'count/design.toml:20:1: error [unknown-key] unknown key "reset_cycle" in [tables.main]; '
        'did you mean "reset_cycles"?'
    )


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("in0-in3", "in0..in3"),
        ("in3-0", "in3..in0"),
        ("in3:in0", "in3..in0"),
        ("in3..0", "in3..in0"),
        ("in3...in0", "in3..in0"),
        ("in0 to in3", "in0..in3"),
        ("in0–in3", "in0..in3"),
        ("in[3:0]", "in3..in0"),
        ("in3..inn0", 'use the same prefix at both ends, such as "in0..in3"'),
    ],
)
def test_a_range_in_another_form_is_answered_with_what_to_write(
    tmp_path: Path, written: str, meant: str
) -> None:
    files = write_files(tmp_path, design=DESIGN.replace('"in3..in0"', f'"{written}"'))
    (finding,) = [one for one in files.told() if "bad-pin-range" in one]
    advice = f'write "{meant}"' if ".." in meant and " " not in meant else meant
    assert finding.endswith(f'"{written}" is not a range of at most 32 pins; {advice}')


def test_a_waiver_is_read(tmp_path: Path) -> None:
    _, shuttle = write_files(tmp_path, SHUTTLE + WAIVER).load()
    assert shuttle.waivers[0].chips == ("PL-01",)
    assert shuttle.waivers[0].expiry.year == 2099


@pytest.mark.parametrize(
    ("old", "new", "rule", "severity"),
    [
        ('"count"', '"cuont"', "waiver-of-unknown", Severity.ERROR),
        ('"main"', '"man"', "waiver-of-unknown", Severity.ERROR),
        ('pin = "q"', 'pin = "p"', "waiver-of-unknown", Severity.ERROR),
        ('"Wilma Dunlin"', '" "', "empty-text", Severity.ERROR),
        ('ticket = "LT-1"\n', "", "missing-key", Severity.ERROR),
        ('["PL-01"]', '["PL-1"]', "bad-chip-serial", Severity.ERROR),
        ("2099", "2001", "waiver-expired", Severity.WARNING),
        ("expiry = 2099-01-31", 'expiry = "soon"', "wrong-type", Severity.ERROR),
    ],
)
def test_a_fault_of_a_waiver_is_found(
    tmp_path: Path, old: str, new: str, rule: str, severity: Severity
) -> None:
    files = write_files(tmp_path, SHUTTLE + WAIVER.replace(old, new))
    assert [(found.rule, found.severity) for found in files.check()] == [(rule, severity)]


def test_of_two_thousand_bad_waivers_a_hundred_are_told(tmp_path: Path) -> None:
    bad = WAIVER.replace('"count"', '"cuont"').replace("PL-01", "PL-1")
    found = write_files(tmp_path, SHUTTLE + bad * 2_000).check()
    assert len(found) == MAX_FINDINGS + 1
    assert str(found[-1]) == (
        f"{tmp_path / 'shuttle.toml'}: error [more-findings] 3,900 more not shown; "
        "fix the ones above first"
    )


def test_a_shuttle_with_a_sick_design_still_gives_the_sound_ones(tmp_path: Path) -> None:
    files = write_files(tmp_path, SHUTTLE.replace('["count"]', '["count", "sick"]'))
    (tmp_path / "sick").mkdir()
    (tmp_path / "sick" / "design.toml").write_text("name = \n")
    shuttle, findings = check_shuttle(files.shuttle_file)
    assert shuttle is not None
    assert [design.name for design in shuttle.designs] == ["count"]
    assert rules(findings) == ["toml-syntax"]


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("in0..in2", ("in0", "in1", "in2")),
        ("in2..in0", ("in2", "in1", "in0")),
        ("a9 .. a11", ("a9", "a10", "a11")),
        ("clk", ("clk",)),
        ("a0..b1", None),
        ("a..b", None),
        ("a0..a32", None),
    ],
)
def test_ranges_expand_in_the_order_written(text: str, names: tuple[str, ...] | None) -> None:
    assert expand_range(text) == names

"""Board profiles: their values, and the full text of every finding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.board import (
    ParallelSelect,
    PulseSelect,
    ShiftSelect,
    SupplySensor,
    check_profile,
    load_profile,
)
from harness.errors import ConfigError
from harness.shuttle import Design, Direction, Pin, Shuttle, load_shuttle

ROOT = Path(__file__).parents[3]

KINDS = {
    "a": Direction.INPUT,
    "y": Direction.OUTPUT,
    "clk": Direction.CLOCK,
    "s0": Direction.SELECT,
    "s1": Direction.SELECT,
}
PINS = tuple(Pin(name, kind, bit) for bit, (name, kind) in enumerate(KINDS.items()))


def design(name: str, address: int) -> Design:
    return Design(name, name, "", address, "worked by hand", 1e6, Path(), (), (), name)


SHUTTLE = Shuttle(
    name="Tern 1",
    organisation="",
    chip_serial=".*",
    pins=PINS,
    designs=(design("low", 0), design("high", 3)),
    path=Path(),
    sha256="",
)

GOOD = """\
name = "Plover"
controller = "invented"
[pins]
a = 4
y = 5
clk = 6
s0 = 7
s1 = 8
[select]
method = "parallel"
pins = ["s1", "s0"]
"""


def complaints(folder: Path, text: str, shuttle: Shuttle = SHUTTLE) -> list[str]:
    """Check a profile; return what is wrong in it, without notes."""
    path = folder / "board.toml"
    path.write_text(text)
    profile, findings = check_profile(path, shuttle)
    assert (profile is None) == any(finding.severity == "error" for finding in findings)
    wrong = [finding for finding in findings if finding.severity != "note"]
    return [str(finding).removeprefix(f"{folder}/") for finding in wrong]


def select(folder: Path, lines: str, shuttle: Shuttle = SHUTTLE) -> list[str]:
    return complaints(folder, GOOD.partition("method")[0] + lines, shuttle)


def test_the_demo_board_is_wired_for_the_demo_shuttle() -> None:
    shuttle = load_shuttle(ROOT / "vectors")
    profile, findings = check_profile(ROOT / "ci" / "wader.toml", shuttle)
    assert findings == []
    assert profile is not None
    assert set(profile.pins) == {pin.name for pin in shuttle.pins}
    assert sorted(profile.pins.values()) == [*range(23), 26, 27, 28]
    assert profile.select == ShiftSelect("seld", "selc", 5)
    assert profile.backend == "generic"
    assert len(profile.sha256) == 64


def test_a_short_profile_takes_the_defaults(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_text(GOOD)
    profile = load_profile(path, SHUTTLE)
    assert profile.pins == {"a": 4, "y": 5, "clk": 6, "s0": 7, "s1": 8}
    assert profile.select == ParallelSelect(("s1", "s0"))
    assert (profile.backend, profile.baud, profile.in_flight) == ("generic", 115_200, 16_384)
    assert (profile.supply_limit_ma, profile.max_rate_hz, profile.usb) == (200.0, 100_000.0, ())


@pytest.mark.parametrize(
    ("controller", "backend", "rate"),
    [
        ("RP2040", "rp2", 31_250_000.0),
        ("RP2350", "rp2", 37_500_000.0),
        ("RP2350B", "rp2", 37_500_000.0),
        ("another", "generic", 100_000.0),
    ],
)
def test_a_profile_that_names_no_backend_takes_the_best_one_for_its_controller(
    controller: str, backend: str, rate: float, tmp_path: Path
) -> None:
    path = tmp_path / "board.toml"
    path.write_text(GOOD.replace('controller = "invented"', f'controller = "{controller}"'))
    profile = load_profile(path, SHUTTLE)
    assert (profile.backend, profile.max_rate_hz) == (backend, rate)


@pytest.mark.parametrize(
    ("controller", "note", "text"),
    [
        (
            "RP2040",
            (
                '"rp2" drives the pins: it is made for the RP2040, and hardware times its cycles; '
                'write "backend" to choose another'
            ),
            'pins by "rp2": it is made for the RP2040, and hardware times its cycles',
        ),
        (
            "rp2040",
            (
                '"generic" drives the pins: nothing faster is made for controller "rp2040"; the '
                "others are made for RP2040, RP2350, RP2350A, RP2350B"
            ),
            'pins by "generic": nothing faster is made for controller "rp2040"',
        ),
    ],
)
def test_what_drives_the_pins_is_said_and_why_where_the_tool_chose_it(
    controller: str, note: str, text: str, tmp_path: Path
) -> None:
    path = tmp_path / "board.toml"
    path.write_text(GOOD.replace("invented", controller))
    profile, findings = check_profile(path, SHUTTLE)
    assert [str(finding) for finding in findings] == [
        f"{path}:2:1: note [backend-chosen] this profile names no backend, so {note}"
    ]
    assert profile is not None
    assert profile.driven_text == text


def test_a_backend_that_the_profile_names_is_used_without_a_note(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_text('backend = "sio"\n' + GOOD.replace("invented", "RP2040"))
    profile, findings = check_profile(path, SHUTTLE)
    assert findings == []
    assert profile is not None
    assert profile.driven_text == 'pins by "sio": software paces its cycles'


def test_every_key_is_read(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    more = (
        'backend = "virtual"\nbaud = 921600\nin_flight = 4096\nsupply_limit_ma = 80\n'
        "dtr = false\nround_trip_ns = 25\nmax_rate_hz = 2e4\nsupply_min_v = 1.6\nsupply_max_v = 2\n"
        'usb = ["0123:aBcD"]\n'
    )
    path.write_text(more + GOOD)
    profile = load_profile(path, SHUTTLE)
    assert (profile.backend, profile.baud, profile.in_flight) == ("virtual", 921_600, 4096)
    assert (profile.supply_limit_ma, profile.max_rate_hz) == (80.0, 20_000.0)
    assert profile.usb == ((0x0123, 0xABCD),)
    assert profile.round_trip_ns == 25
    assert (profile.dtr, profile.rts) == (False, None)
    assert (profile.supply_min_v, profile.supply_max_v) == (1.6, 2.0)


def test_exact_pins_may_go_as_fast_as_they_can_unless_the_profile_says_less(
    tmp_path: Path,
) -> None:
    path = tmp_path / "board.toml"
    on_rp2040 = 'backend = "rp2"\n' + GOOD.replace("invented", "RP2040")
    path.write_text(on_rp2040)
    profile = load_profile(path, SHUTTLE)
    assert (profile.max_rate_hz, profile.round_trip_ns) == (31.25e6, 8)
    path.write_text("max_rate_hz = 1e6\n" + on_rp2040)
    assert load_profile(path, SHUTTLE).max_rate_hz == 1e6


def test_a_shift_register_and_a_pulse_counter_can_be_named(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    head = GOOD.partition("method")[0]
    path.write_text(head + 'method = "shift"\ndata = "s0"\nclock = "s1"\nbits = 2\n')
    assert load_profile(path, SHUTTLE).select == ShiftSelect("s0", "s1", 2)
    path.write_text(head + 'method = "pulses"\nstep = "s0"\nclear = "s1"\n')
    assert load_profile(path, SHUTTLE).select == PulseSelect("s0", "s1")


def test_loading_raises_with_every_error(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_text("[pins]\n[select]\n")
    with pytest.raises(ConfigError) as caught:
        load_profile(path, SHUTTLE)
    assert len(caught.value.findings) == 4


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (
            ('name = "Plover"\n', ""),
            (
                'board.toml:1:1: error [missing-key] this file has no "name"; '
                "add it: a string in quotes"
            ),
        ),
        (
            ("invented", " "),
            'board.toml:2:1: error [empty-text] "controller" is empty; fill it in',
        ),
        (
            ("[pins]", 'backend = "generik"\n[pins]'),
            (
                'board.toml:3:1: error [unknown-backend] the agent has no pins module "generik"; '
                'did you mean "generic"?'
            ),
        ),
        (
            ("[pins]", "baud = 5\n[pins]"),
            (
                'board.toml:3:1: error [out-of-range] "baud" is 5; '
                "write a number from 300 to 12,000,000"
            ),
        ),
        (
            ("[pins]", "in_flight = 64\n[pins]"),
            (
                'board.toml:3:1: error [out-of-range] "in_flight" is 64; '
                "write a number from 2,048 to 1,048,576"
            ),
        ),
        (
            ("[pins]", "supply_limit_ma = -1\n[pins]"),
            (
                'board.toml:3:1: error [out-of-range] "supply_limit_ma" is -1; '
                "write a number above 0, at most 5,000"
            ),
        ),
        (
            ("[pins]", "supply_min_v = 2\nsupply_max_v = 1.8\n[pins]"),
            (
                'board.toml:4:1: error [out-of-range] "supply_max_v" is 1.8, not above '
                '"supply_min_v"; write the lowest and the highest voltage allowed for chip and '
                "board"
            ),
        ),
        (
            ("[pins]", "supply_min_v = 2.7\nsupply_max_v = 3.33336\n[pins]"),
            (
                'board.toml:4:1: error [out-of-range] "supply_max_v" is 3.33336, with more than 3 '
                "decimals; write whole millivolts, such as 3.333"
            ),
        ),
        (
            ("[pins]", "supply_min_v = 2.7004\nsupply_max_v = 3.6\n[pins]"),
            (
                'board.toml:3:1: error [out-of-range] "supply_min_v" is 2.7004, with more than 3 '
                "decimals; write whole millivolts, such as 2.701"
            ),
        ),
        (
            ("[pins]", "supply_max_v = 3.6\n[pins]"),
            (
                'board.toml:1:1: error [missing-key] this file has no "supply_min_v"; add it: '
                "a number"
            ),
        ),
        (
            ("[pins]", "supply_min_v = inf\nsupply_max_v = 3.6\n[pins]"),
            'board.toml:3:1: error [out-of-range] "supply_min_v" is inf; write a finite number',
        ),
        (
            ("[pins]", "max_rate_hz = nan\n[pins]"),
            ('board.toml:3:1: error [out-of-range] "max_rate_hz" is nan; write a finite number'),
        ),
        (
            ("[pins]", 'usb = ["0123:abcd", "12:34"]\n[pins]'),
            (
                'board.toml:3:21: error [bad-usb-id] "12:34" is not a USB vendor and product '
                'number; write four hex digits each, such as "12ab:00ff"; '
                "`harness ports` shows them"
            ),
        ),
        (
            ("[pins]", "in_flght = 9000\n[pins]"),
            'board.toml:3:1: error [unknown-key] unknown key "in_flght"; did you mean "in_flight"?',
        ),
        (
            ("y = 5\nclk = 6\n", ""),
            (
                'board.toml:3:2: error [pin-not-wired] [pins] has no entry for "y", "clk"; '
                "write the controller pin of every pin of the shuttle"
            ),
        ),
        (
            ("s1 = 8", "s1 = 8\nclock = 9"),
            'board.toml:9:1: error [unknown-pin] Tern 1 has no pin "clock"; did you mean "clk"?',
        ),
        (
            ("y = 5", "y = 4"),
            (
                "board.toml:5:1: error [controller-pin-twice] controller pin 4 is already wired to "
                '"a"; give each chip pin a controller pin of its own'
            ),
        ),
        (
            ("y = 5", "y = 30"),
            (
                'board.toml:5:1: error [bad-controller-pin] "y" is on controller pin 30; '
                "write a number from 0 to 29"
            ),
        ),
        (
            ("y = 5", "y = -1"),
            (
                'board.toml:5:1: error [bad-controller-pin] "y" is on controller pin -1; '
                "write a number from 0 to 29"
            ),
        ),
        (
            ("y = 5", "y = true"),
            'board.toml:5:1: error [wrong-type] "y" has the wrong type; write a whole number',
        ),
        (
            ("parallel", "paralel"),
            (
                'board.toml:10:1: error [unknown-method] no method "paralel"; '
                'did you mean "parallel"?'
            ),
        ),
        (
            ('"s1", "s0"', '"s1", "a"'),
            (
                'board.toml:11:15: error [not-a-select-pin] "a" is not a select pin; its direction '
                "is input; pins for selection: s0, s1"
            ),
        ),
        (
            ('"s1", "s0"', '"s1", "s2"'),
            'board.toml:11:15: error [unknown-pin] Tern 1 has no pin "s2"; use one of: s0, s1',
        ),
        (
            ('"s1", "s0"', '"s1", "s1"'),
            (
                'board.toml:11:15: error [select-pin-twice] select pin "s1" is used twice; '
                "give each use its own pin"
            ),
        ),
    ],
)
def test_one_mistake_gives_one_complaint_with_place_and_advice(
    tmp_path: Path, change: tuple[str, str], complaint: str
) -> None:
    assert GOOD.count(change[0]) == 1
    assert complaints(tmp_path, GOOD.replace(*change)) == [complaint]


def test_an_address_that_needs_more_bits_is_refused(tmp_path: Path) -> None:
    assert select(tmp_path, 'method = "shift"\ndata = "s0"\nclock = "s1"\nbits = 1\n') == [
        (
            'board.toml:13:1: error [address-too-wide] design "high" has address 3; '
            "1 bits hold 0 to 1; select with more bits, or give the design a smaller address"
        )
    ]


def test_a_select_pin_without_a_use_is_worth_a_warning(tmp_path: Path) -> None:
    low = replace(SHUTTLE, designs=(design("low", 1),))
    assert select(tmp_path, 'method = "parallel"\npins = ["s0"]\n', low) == [
        (
            'board.toml:9:2: warning [select-pin-unused] select pin "s1" is unused and will be '
            "held low; check the method, or the shuttle's list of select pins"
        )
    ]


def test_a_range_of_address_pins_is_expanded(tmp_path: Path) -> None:
    assert select(tmp_path, 'method = "parallel"\npins = "s1..s0"\n') == []


def test_one_pin_cannot_be_both_step_and_clear(tmp_path: Path) -> None:
    assert select(tmp_path, 'method = "pulses"\nstep = "s0"\nclear = "s0"\n') == [
        (
            'board.toml:12:1: error [select-pin-twice] select pin "s0" is used twice; '
            "give each use its own pin"
        )
    ]


@pytest.mark.parametrize("bits", [0, 17])
def test_a_register_has_one_to_sixteen_bits(tmp_path: Path, bits: int) -> None:
    text = f'method = "shift"\ndata = "s0"\nclock = "s1"\nbits = {bits}\n'
    assert select(tmp_path, text) == [
        f'board.toml:13:1: error [out-of-range] "bits" is {bits}; write 1 to 16'
    ]


def test_several_mistakes_are_reported_in_file_order(tmp_path: Path) -> None:
    text = GOOD.replace("y = 5", "y = 4").replace('"Plover"', "7").replace('"s0"', '"clk"')
    found = complaints(tmp_path, text)
    assert [line.split(" error ")[0] for line in found] == [
        "board.toml:1:1:",
        "board.toml:5:1:",
        "board.toml:11:15:",
    ]


def test_a_supply_sensor_is_read_and_its_scale_is_that_of_its_keys(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_text(
        f"{GOOD}[sensors]\nsupply = {{ pin = 26, ma_per_volt = 100, zero_volt = 0.5 }}\n"
    )
    sensor = load_profile(path, SHUTTLE).supply_sensor
    assert sensor == SupplySensor(26, 100.0, 0.5, 3.3)
    assert sensor.milliamperes(0xFFFF) == pytest.approx(280.0)
    assert sensor.milliamperes(0) == 0.0
    assert sensor.milliamperes(sensor.reading(42.0)) == pytest.approx(42.0, abs=0.01)
    assert sensor.reading(5000.0) == 0xFFFF


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        ("pin = 4, ma_per_volt = 1", 'controller pin 4 is already wired to "a"'),
        ("pin = 30, ma_per_volt = 1", '"pin" is 30; write a number from 0 to 29'),
        ("pin = 26, ma_per_volt = 0", '"ma_per_volt" is 0; write a number above 0'),
        ("pin = 26, ma_per_volt = nan", '"ma_per_volt" is nan; write a finite number'),
        ("pin = 26, ma_per_volt = 1, full_volt = 9.0", '"full_volt" is 9; write'),
        ("pin = 26, ma_per_volt = 1, zero_volt = 4.0", 'from 0 to less than "full_volt"'),
        ("pin = 26", '[sensors.supply] has no "ma_per_volt"'),
        ("pin = 26, ma_per_volt = 1, gain = 2", 'unknown key "gain"'),
    ],
)
def test_an_impossible_sensor_is_reported(tmp_path: Path, keys: str, text: str) -> None:
    (found,) = complaints(tmp_path, f"{GOOD}[sensors]\nsupply = {{ {keys} }}\n")
    assert text in found


TOO_FAR = (
    '32, which pins module "rp2" cannot reach together with the other pins; '
    "wire all pins to 0 to 31 or 16 to 47"
)
PINS_OF_CONTROLLERS = [
    ("RP2350", "rp2", "y = 30", "30; write a number from 0 to 29"),
    ("RP2350A", "rp2", "y = 30", "30; write a number from 0 to 29"),
    ("RP2350B", "rp2", "y = 31", ""),
    ("RP2350B", "rp2", "y = 48", "48; write a number from 0 to 47"),
    ("RP2350B", "rp2", "y = 32", TOO_FAR),
    ("RP2350B", "sio", "y = 32", "32; write a number from 0 to 31"),
    ("RP2350B", "generic", "y = 47", ""),
    ("another", "generic", "y = 30", "30; write a number from 0 to 29"),
]


@pytest.mark.parametrize(("controller", "backend", "pin", "message"), PINS_OF_CONTROLLERS)
def test_pins_are_those_that_the_backend_reaches_on_the_controller(
    controller: str, backend: str, pin: str, message: str, tmp_path: Path
) -> None:
    text = GOOD.replace("invented", controller).replace("y = 5", pin)
    found = complaints(tmp_path, f'backend = "{backend}"\n{text}')
    place = 'board.toml:6:1: error [bad-controller-pin] "y" is on controller pin '
    assert found == ([place + message] if message else [])


def test_pins_that_are_all_in_the_second_window_are_fine(tmp_path: Path) -> None:
    text = GOOD.replace("invented", "RP2350B")
    for old, new in (("a = 4", "a = 47"), ("y = 5", "y = 16"), ("clk = 6", "clk = 32")):
        assert old in text
        text = text.replace(old, new)
    text = text.replace("s0 = 7", "s0 = 17").replace("s1 = 8", "s1 = 46")
    assert complaints(tmp_path, text) == []


def test_a_backend_for_other_controllers_is_refused(tmp_path: Path) -> None:
    (complaint,) = complaints(tmp_path, 'backend = "sio"\n' + GOOD)
    assert complaint == (
        'board.toml:1:1: error [wrong-controller] pins module "sio" is not for a controller '
        '"invented", only for RP2040, RP2350, RP2350A, RP2350B; correct "controller", or write '
        'backend = "generic"'
    )

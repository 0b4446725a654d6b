"""A dotted key of too many parts is refused before the parser sees it, and nothing else is."""

from __future__ import annotations

import importlib
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.bundle.listing import read_values
from harness.errors import BundleError, Findings
from harness.shuttle import read_toml
from harness.shuttle.dotted import MAX_PARTS, parse_toml

_parser: Any = importlib.import_module("tomllib._parser")

LONG = ".".join(["a"] * 2_000)
JUST = ".".join(["a"] * MAX_PARTS)
MORE = f"{JUST}.a"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (f"{LONG} = 1", "line 1, column 32"),
        (f"x = 1\n[{LONG}]\n", "line 2, column 33"),
        (f"[[{LONG}]]", "line 1, column 34"),
        (f"x = {{ {MORE} = 1 }}", "line 1, column 38"),
        (" . ".join(["a"] * 17) + " = 1", "line 1, column "),
        (".".join(['"a.b"'] * 17) + " = 1", "line 1, column "),
        (".".join(["'a'"] * 17) + " = 1", "line 1, column "),
        # strings that end in more quotes than began them, or in a backslash, hide nothing
        (f'x = {{ y = """q"""", {MORE} = 1 }}', "line 1, column "),
        (f'x = {{ y = """q""""", {MORE} = 1 }}', "line 1, column "),
        (f"x = {{ y = '''q'''', {MORE} = 1 }}", "line 1, column "),
        (f"x = {{ y = 'q\\', {MORE} = 1 }}", "line 1, column "),
        (f'x = {{ y = "q\\\\", {MORE} = 1 }}', "line 1, column "),
        (f'x = """\n\\""" # """\n{MORE} = 1', "line 3, column "),
        (f"# it's\n{MORE} = 1", "line 2, column "),
        (f'x = ""\n{MORE} = 1', "line 2, column "),
    ],
)
def test_a_key_of_many_parts_is_refused_with_its_place(text: str, place: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError, match=f"more than 16 parts .at {place}"):
        parse_toml(text)


@pytest.mark.parametrize(
    "text",
    [
        f"{JUST} = 1",
        f"[{JUST}]\n{JUST} = 1",
        f'x = "{LONG}"',
        f"x = '{LONG}'",
        f'x = """\n{LONG} " "" \\"""{LONG}"""',
        f"x = '''\n{LONG}'''",
        f"x = 1 # {LONG}",
        "x = [" + ", ".join(["1.5"] * 100) + "]",
        "x = {" + ", ".join(f"a.b{n} = 0.5" for n in range(100)) + "}",
        f'"{LONG}" = 1',
    ],
)
def test_dots_elsewhere_do_not_count(text: str) -> None:
    assert parse_toml(text) == tomllib.loads(text)


PIECES = [*"\"'\\.#\n=,[]{}a1 ", '"""', "'''", " = 1", MORE]


@given(st.lists(st.sampled_from(PIECES), max_size=30))
@example([MORE, " = 1"])
def test_the_parser_never_sees_more_parts_and_loses_nothing_else(pieces: list[str]) -> None:
    """The parts of every key are counted where ``tomllib`` itself takes them apart."""
    text, most = "".join(pieces), [0]
    parse_key = _parser.parse_key

    def counting(source: str, at: int) -> tuple[int, tuple[str, ...]]:
        found: tuple[int, tuple[str, ...]] = parse_key(source, at)
        most[0] = max(most[0], len(found[1]))
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_parser, "parse_key", counting)
        try:
            values = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            values = None
    if most[0] > MAX_PARTS:
        with pytest.raises(tomllib.TOMLDecodeError, match="more than 16 parts"):
            parse_toml(text)
    elif values is not None:
        assert parse_toml(text) == values


@pytest.mark.parametrize(
    ("number", "fits"),
    [
        ("9223372036854775807", True),
        ("-9223372036854775808", True),
        ("9223372036854775808", False),
        ("-9223372036854775809", False),
        ("9" * 5_000, False),
        ("0x" + "F" * 5_000, False),
    ],
)
def test_whole_numbers_have_64_bits(number: str, fits: bool) -> None:
    """As TOML 1.0.0, "Integer", demands."""
    text = f"a = [{{ b = {number} }}]"
    if fits:
        assert parse_toml(text) == {"a": [{"b": int(number)}]}
    else:
        with pytest.raises(tomllib.TOMLDecodeError, match="does not fit in 64 bits"):
            parse_toml(text)


def test_both_readers_name_the_file(tmp_path: Path) -> None:
    path = tmp_path / "slot.toml"
    path.write_text(f"{LONG} = 1\n")
    findings = Findings()
    assert read_toml(path, findings) is None
    (found,) = findings.items
    assert str(found).startswith(f"{path}:1:32: error [toml-syntax] not valid TOML: A key has more")
    with pytest.raises(BundleError, match=r"slot\.toml: .*A key has more than 16 parts"):
        read_values(path.read_bytes(), path)

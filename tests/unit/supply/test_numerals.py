"""Numbers of instruments: the three forms of IEEE 488.2, read as exactly as they are written.

The forms are those of IEEE 488.2-1992, sections 8.7.2 (NR1), 8.7.3 (NR2) and 8.7.4 (NR3); the two
special numbers are of SCPI-99 volume 1, section 7.2.1. Both from memory.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.supply.numerals import read_number, read_switch

signs = st.sampled_from(["", "+", "-"])
digits = st.text("0123456789", min_size=1, max_size=12)
exponents = st.builds("E{}{}".format, st.sampled_from("+-"), st.integers(0, 20))
nr1 = st.builds("{}{}".format, signs, digits)
nr2 = st.builds("{}{}.{}".format, signs, digits, digits)
nr3 = st.builds("{}{}".format, nr2, exponents)


@given(st.one_of(nr1, nr2, nr3))
def test_every_number_of_the_standard_is_read_to_the_nearest_float(text: str) -> None:
    assert read_number(text) == float(Decimal(text))


@given(st.floats(-1e30, 1e30))
def test_what_an_instrument_writes_in_nr3_comes_back(value: float) -> None:
    assert read_number(f"{value:+.16E}") == value


@pytest.mark.parametrize("text", ["5.", ".5", "5e3", "5E3", " +5.0E+00 "])
def test_looser_forms_that_read_in_one_way_only_are_read(text: str) -> None:
    assert read_number(text) == float(text)


@pytest.mark.parametrize(
    "text", ["", " ", ".", "+", "E5", "5 V", "5,0", "1e", "nan", "inf", "0x10", "1_000", "٥", "5\n"]
)
def test_nothing_else_is_a_number(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not an IEEE 488\.2 number"):
        read_number(text)


@pytest.mark.parametrize("text", ["9.9E37", "-9.9E37", "9.91E37", "+9.91000E+37", "9E99999"])
def test_infinity_and_not_a_number_are_no_value(text: str) -> None:
    with pytest.raises(ValueError, match=r"means infinity or no value"):
        read_number(text)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        value = read_number(text)
    except ValueError:
        return
    assert abs(value) < 9.9e37


def test_a_switch_is_0_or_1() -> None:
    assert [read_switch("0"), read_switch("1"), read_switch("+1")] == [False, True, True]
    with pytest.raises(ValueError, match='"2" is neither 0 nor 1'):
        read_switch("2")

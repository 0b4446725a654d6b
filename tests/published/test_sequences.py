"""The CRC, the shift register and the Gray counter of the demo shuttle against second opinions.

Each check reads the committed tables; the source or the independent library stands beside it.
"""

from __future__ import annotations

from crccheck.crc import Crc16Ibm3740

from tests.published.generators import Row, table_rows


def shifted_bits(rows: list[Row]) -> list[str]:
    """The message bits that the rows clock in."""
    return [row["din"] for row in rows if row["clk"] == "C" and row["en"] == "1"]


def bytes_of(bits: list[str]) -> bytes:
    return int("".join(bits), 2).to_bytes(len(bits) // 8, "big")


def shown(high: Row, low: Row) -> int:
    """The remainder from a row that shows its high byte and one that shows the low byte."""
    assert (high["hi"], low["hi"]) == ("1", "0")
    return int(high["crc"], 16) << 8 | int(low["crc"], 16)


def test_crc_check_value_is_the_catalogue_s() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 0x29B1 for "123456789";
    # from memory, confirmed by PyPI crccheck.
    rows = table_rows("crc16", "check.csv")
    at = next(k for k, row in enumerate(rows) if row["label"] == "check value")
    message = bytes_of(shifted_bits(rows[:at]))
    assert message == b"123456789"
    assert shown(rows[at], rows[at + 1]) == 0x29B1 == Crc16Ibm3740.calc(message)


def test_crc_of_a_message_with_its_crc_is_zero() -> None:
    rows = table_rows("crc16", "check.csv")
    at = next(k for k, row in enumerate(rows) if row["label"] == "remainder zero")
    assert shown(rows[at], rows[at + 1]) == 0
    assert rows[at]["zero"] == "H"
    assert Crc16Ibm3740.calc(b"123456789\x29\xb1") == 0  # PyPI crccheck agrees


def test_crc_stream_agrees_with_an_independent_library_at_every_byte() -> None:
    rows = table_rows("crc16", "stream.csv")
    bits = rows[1:-2]
    assert len(bits) == 2048
    for count in range(1, 257):
        remainder = Crc16Ibm3740.calc(bytes(range(count)))
        last = bits[8 * count - 1]
        expected = remainder >> 8 if last["hi"] == "1" else remainder & 0xFF
        assert int(last["crc"], 16) == expected
    assert shown(rows[-2], rows[-1]) == Crc16Ibm3740.calc(bytes(range(256)))


def power_of_x(exponent: int, modulus: int, degree: int) -> int:
    """x to a power in GF(2)[x] modulo a polynomial, by squaring."""
    result, base = 1, 2
    while exponent:
        if exponent & 1:
            result = times(result, base, modulus, degree)
        base = times(base, base, modulus, degree)
        exponent >>= 1
    return result


def times(left: int, right: int, modulus: int, degree: int) -> int:
    product = 0
    while right:
        if right & 1:
            product ^= left
        left <<= 1
        if left >> degree & 1:
            left ^= modulus
        right >>= 1
    return product


def test_lfsr_taps_are_those_of_a_primitive_polynomial() -> None:
    # Alfke, XAPP052, n = 12: taps 12, 6, 4, 1 (read from copies of the table). A maximal
    # sequence needs a primitive polynomial: x has order 4095 = 3 · 3 · 5 · 7 · 13.
    modulus = 1 << 12 | 1 << 6 | 1 << 4 | 1 << 1 | 1
    assert power_of_x(4095, modulus, 12) == 1
    assert all(power_of_x(4095 // prime, modulus, 12) != 1 for prime in (3, 5, 7, 13))


def test_lfsr_table_visits_every_state_but_all_ones_once() -> None:
    # XAPP052: n stages give 2^n - 1 states; with XNOR the missing one is all ones.
    states = [int(row["q"], 16) for row in table_rows("lfsr", "states.csv")]
    assert len(states) == 4096
    assert states[0] == states[-1] == 0
    assert set(states) == set(range(4095))


def test_lfsr_stream_obeys_the_recurrence_of_its_taps() -> None:
    # A register's output stream s obeys s(t) = XNOR of s(t-12), s(t-6), s(t-4), s(t-1).
    stages = [int(row["q"], 16) for row in table_rows("lfsr", "states.csv")]
    stream = [state & 1 for state in stages]
    for t in range(12, len(stream)):
        odd = (stream[t - 12] + stream[t - 6] + stream[t - 4] + stream[t - 1]) % 2
        assert stream[t] == 1 - odd


def turning(label: str) -> list[str]:
    """The 256 codes of a labelled turn of the Gray counter."""
    rows = table_rows("gray", "count.csv")
    at = next(k for k, row in enumerate(rows) if row["label"] == label)
    return [row["code"] for row in rows[at : at + 256]]


def test_gray_counter_changes_one_bit_a_step_and_visits_every_code() -> None:
    # F. Gray, US patent 2,632,058: successive codes differ in one digit, the last and first too.
    for label in ("once round up", "once round down"):
        codes = turning(label)
        assert len(set(codes)) == 256
        for before, after in zip(codes, codes[1:] + codes[:1], strict=True):
            assert sum(a != b for a, b in zip(before, after, strict=True)) == 1


def test_gray_counter_agrees_with_the_exclusive_or_formula() -> None:
    # The usual formula n XOR n/2 (common practice, no source); the generator reflects lists.
    bits = str.maketrans("LH", "01")
    numbers = [int(code.translate(bits), 2) for code in turning("once round up")]
    assert numbers == [n ^ n >> 1 for n in [*range(1, 256), 0]]

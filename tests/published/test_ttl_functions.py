"""The logic families among the demo designs, checked against second sources.

Each check reads the committed tables and compares them with what another publication than the
one in the generator says. Which it is, and how it was confirmed, stands beside the check.
"""

from __future__ import annotations

import pytest

from tests.published.generators import Row, table_rows

DM74LS48 = [
    "HHHHHHL LHHLLLL HHLHHLH HHHHLLH LHHLLHH HLHHLHH LLHHHHH HHHLLLL",
    "HHHHHHH HHHLLHH LLLHHLH LLHHLLH LHLLLHH HLLHLHH LLLHHHH LLLLLLL",
]
"""Segments a to g for 0 to 15: truth table of National Semiconductor's DM74LS48 data sheet, read
from a copy of it; the generator follows Texas Instruments SDLS111 (from memory)."""


def test_seven_segment_digits_are_those_of_a_second_maker() -> None:
    shown = {
        int(row["bcd"]): row["seg"]
        for row in table_rows("bcd7seg", "function.csv")
        if row["lt_n"] == "1" and row["bi_n"] == "1" and row["rbi_n"] == "1"
    }
    assert [shown[code] for code in range(16)] == " ".join(DM74LS48).split()


def test_six_and_nine_have_no_tails() -> None:
    # DM74LS48 "resultant displays": segment a is dark in 6, segment d in 9.
    digits = " ".join(DM74LS48).split()
    assert digits[6][0] == "L"
    assert digits[9][3] == "L"


def alu_rows() -> list[tuple[int, int, Row]]:
    """(M, S, row) of every tested vector of the exhaustive ALU table, loads left out."""
    found, m, s = [], 1, 15
    for row in table_rows("alu181", "exhaustive.csv"):
        if row["clk"] == "C":
            m, s = int(row["cn"]), int(row["s"])
        else:
            found.append((m, s, row))
    return found


def test_alu_table_covers_all_32_functions_on_all_operands() -> None:
    assert len(alu_rows()) == 32 * 16 * 16 * 2
    assert len({(m, s) for m, s, _ in alu_rows()}) == 32


def test_alu_subtraction_compares_magnitudes() -> None:
    # Comparison table for active-high data in NTE's NTE74LS181 data sheet, read from a copy:
    # (Cn, Cn+4) H H: A <= B; H L: A > B; L H: A < B; L L: A >= B, in the subtract mode (LHHL).
    meaning = {
        ("1", "H"): int.__le__,
        ("1", "L"): int.__gt__,
        ("0", "H"): int.__lt__,
        ("0", "L"): int.__ge__,
    }
    subtractions = [row for m, s, row in alu_rows() if not m and s == 0b0110]
    assert len(subtractions) == 512
    for row in subtractions:
        assert meaning[row["cn"], row["cn4"]](int(row["a"]), int(row["b"])), row


def test_alu_equality_shows_when_subtracting_without_carry() -> None:
    # SN54/74LS181, Motorola "Fast and LS TTL data", functional description (read from a copy):
    # A = B goes high when all four F outputs are high, and indicates equivalence in the subtract
    # mode.
    for m, s, row in alu_rows():
        if not m and s == 0b0110 and row["cn"] == "1":
            assert row["a_eq_b"] == ("H" if row["a"] == row["b"] else "L"), row


def test_alu_carry_pins_tell_sums_of_15_and_16_for_active_low_operands() -> None:
    # Fairchild DM74LS181, functional description (read from a copy): in the add mode P indicates
    # that F is 15 or more, G that F is 16 or more. Both are active low, for active-low operands.
    additions = [row for m, s, row in alu_rows() if not m and s == 0b1001]
    for row in additions:
        total = (15 - int(row["a"])) + (15 - int(row["b"]))
        assert row["y"] == ("L" if total >= 16 else "H"), row
        assert row["x"] in {"X", "L" if total >= 15 else "H"}, row
    assert sum(row["x"] == "L" for row in additions) == 2 * 16  # sums of exactly 15


F85 = {
    "HLL": "HLL",
    "LHL": "LHL",
    "LLH": "LLH",
    "HLH": "LLH",
    "LHH": "LLH",
    "HHH": "LLH",
    "HHL": "LLL",
    "LLL": "HHL",
}
"""Equal words in Motorola's MC54/74F85 function table: inputs A > B, A < B, A = B to outputs in
the same order (read from a copy; its row ``X X H`` written out)."""


def test_comparator_answers_cascading_inputs_as_a_second_maker_says() -> None:
    answers = {}
    for row in table_rows("cmp85", "exhaustive.csv"):
        if row["a"] == row["b"]:
            inputs = "".join("LH"[int(row[name])] for name in ("gt_in", "lt_in", "eq_in"))
            answers[inputs] = row["gt"] + row["lt"] + row["eq"]
    assert answers == F85


def test_two_comparators_in_cascade_compare_bytes() -> None:
    # TI SDLS123 on cascading: the lower stage's outputs feed the higher stage's inputs, and the
    # lowest stage has A = B high (confirmed in a copy of the part's description).
    table = {}
    for r in table_rows("cmp85", "exhaustive.csv"):
        cascade = r["gt_in"] + r["lt_in"] + r["eq_in"]
        table[int(r["a"]), int(r["b"]), cascade] = r["gt"] + r["lt"] + r["eq"]
    bits = str.maketrans("LH", "01")
    for a in range(0, 256, 5):
        for b in range(0, 256, 3):
            low = table[a % 16, b % 16, "001"].translate(bits)
            high = table[a // 16, b // 16, low]
            assert high == ("HLL" if a > b else "LHL" if a < b else "LLH")


def test_decoder_table_covers_every_input_and_selects_one_line_at_most() -> None:
    rows = table_rows("dec138", "function.csv")
    assert len({(r["g1"], r["g2a_n"], r["g2b_n"], r["sel"]) for r in rows}) == 64
    for row in rows:
        low = [7 - place for place, level in enumerate(row["y_n"]) if level == "L"]
        enabled = (row["g1"], row["g2a_n"], row["g2b_n"]) == ("1", "0", "0")
        assert low == ([int(row["sel"])] if enabled else [])


@pytest.mark.parametrize(
    ("ei_n", "d_n", "outputs"),
    [
        # A worked exercise on the 74148 (read from a copy): only I4 low.
        ("0", "11101111", "LHH L H"),
        # SN74LS148, first row of the function table (from memory): a disabled stage is all high.
        ("1", "11101111", "HHH H H"),
        # Last rows of the function table, confirmed by a laboratory exercise (read from a copy).
        ("0", "11111111", "HHH H L"),
        ("0", "00000000", "LLL L H"),
        ("0", "11111110", "HHH L H"),
    ],
)
def test_priority_encoder_answers_worked_examples(ei_n: str, d_n: str, outputs: str) -> None:
    rows = table_rows("prio148", "function.csv")
    found = {(r["ei_n"], r["d_n"]): f"{r['a_n']} {r['gs_n']} {r['eo_n']}" for r in rows}
    assert len(found) == 512
    assert found[ei_n, d_n] == outputs


def test_two_priority_encoders_in_cascade_encode_sixteen_lines() -> None:
    # Typical application of the 74148: the high stage's EO feeds the low stage's EI, and the code
    # is the AND of both stages' outputs (common practice, no source).
    table = {(r["ei_n"], r["d_n"]): r for r in table_rows("prio148", "function.csv")}
    for line in range(16):
        lines = 0xFFFF ^ 1 << line
        high = table["0", f"{lines >> 8:08b}"]
        low = table["01"["LH".index(high["eo_n"])], f"{lines & 0xFF:08b}"]
        code = sum((high["a_n"][k] == "H" and low["a_n"][k] == "H") << 2 - k for k in range(3))
        assert (7 - code) + (8 if high["gs_n"] == "L" else 0) == line


def test_counter_follows_the_typical_sequence_of_its_data_sheet() -> None:
    # TI SDLS060, "typical clear, preset, count and inhibit sequences" (from memory): preset to
    # twelve, count to thirteen, fourteen, fifteen, zero, one, two, inhibit.
    rows = table_rows("ctr163", "sequence.csv")
    start = next(k for k, row in enumerate(rows) if row["label"] == "preset to twelve")
    assert [int(row["q"]) for row in rows[start : start + 7]] == [12, 13, 14, 15, 0, 1, 2]
    assert {row["q"] for row in rows[start + 7 : start + 10]} == {"2"}


def test_counter_carry_is_ent_and_all_ones() -> None:
    # Motorola SN54/74LS163A, logic equations (read from a copy): TC = CET · Q0 · Q1 · Q2 · Q3.
    for name in ("sequence.csv", "transitions.csv"):
        for row in table_rows("ctr163", name):
            if row["q"]:
                expected = row["ent"] == "1" and row["q"] == "15"
                assert row["rco"] == ("H" if expected else "L"), row


def test_counter_table_tries_every_control_in_every_state() -> None:
    rows = table_rows("ctr163", "transitions.csv")
    tried = {
        (before["q"], after["clr_n"] + after["load_n"] + after["enp"] + after["ent"])
        for before, after in zip(rows[::2], rows[1::2], strict=True)
    }
    assert len(tried) == 16 * 16

"""Published values of the Hamming code and of Morse signals and their timing."""

from __future__ import annotations

from itertools import combinations, groupby

from tests.published.generators import Row, cycles, load_generator, table_rows

HAMMING = load_generator("secded")
MORSE = load_generator("morse")

HAMMING_WORDS = [
    "0000000",
    "1101001",
    "0101010",
    "1000011",
    "1001100",
    "0100101",
    "1100110",
    "0001111",
    "1110000",
    "0011001",
    "1011010",
    "0110011",
    "0111100",
    "1010101",
    "0010110",
    "1111111",
]
"""Code words of the values 0 to 15, position 1 at the left (Hamming, BSTJ 29, 1950, table II).

From memory, confirmed by a second published list of the same sixteen words and by their distances.
"""


def written(word: int) -> str:
    """Positions 1 to 7 as the paper writes them."""
    return "".join(str(word >> position & 1) for position in range(1, 8))


def test_hamming_words_are_those_of_the_paper() -> None:
    assert [written(HAMMING.encode(value)) for value in range(16)] == HAMMING_WORDS


def test_hamming_word_12_with_position_5_changed_gives_checking_number_5() -> None:
    """The example in the paper's section 3: 0111100 is received as 0111000."""
    word = HAMMING.encode(12) ^ 1 << 5
    assert written(word) == "0111000"
    assert HAMMING.checking_number(word) == 5


def test_hamming_distances_are_3_and_with_the_extra_parity_4() -> None:
    """The paper's section 5: minimum distance 3 corrects one error, 4 also detects two."""
    words = [HAMMING.encode(value) for value in range(16)]
    pairs = list(combinations(words, 2))
    assert min(((a ^ b) >> 1).bit_count() for a, b in pairs) == 3
    assert min((a ^ b).bit_count() for a, b in pairs) == 4


def test_hamming_table_corrects_every_single_and_flags_every_double_error() -> None:
    rows = table_rows("secded", "errors.csv")
    sent = 0
    kinds = {"single": 0, "double": 0}
    for row in rows:
        x, y = int(row["x"], 0), int(row["y"], 0)
        if row["decode"] == "0":
            sent = y
            value = x
            continue
        wrong = (x ^ sent).bit_count()
        assert row["double"] == ("H" if wrong == 2 else "L")
        assert y >> 7 == (1 if wrong == 1 else 0)
        if wrong < 2:
            assert y & 15 == value
        if wrong == 1:
            assert 1 << (y >> 4 & 7) == x ^ sent
        kinds["single"] += wrong == 1
        kinds["double"] += wrong == 2
    assert kinds == {"single": 16 * 8, "double": 16 * 28}


SIGNALS = {
    "A": ".-",
    "B": "-...",
    "C": "-.-.",
    "D": "-..",
    "E": ".",
    "F": "..-.",
    "G": "--.",
    "H": "....",
    "I": "..",
    "J": ".---",
    "K": "-.-",
    "L": ".-..",
    "M": "--",
    "N": "-.",
    "O": "---",
    "P": ".--.",
    "Q": "--.-",
    "R": ".-.",
    "S": "...",
    "T": "-",
    "U": "..-",
    "V": "...-",
    "W": ".--",
    "X": "-..-",
    "Y": "-.--",
    "Z": "--..",
    ".": ".-.-.-",
    ",": "--..--",
    "?": "..--..",
}
"""ITU-R M.1677-1, section 1.1; from memory, confirmed by two published copies of the list."""


def test_morse_signals_are_those_of_the_recommendation() -> None:
    """Figures follow the rule that the list shows: dots count up to 5, then dashes from 6."""
    figures = {
        str(n % 10): "." * n + "-" * (5 - n) if n <= 5 else "-" * (n - 5) + "." * (10 - n)
        for n in range(1, 11)
    }
    assert SIGNALS | figures == MORSE.CODE


def keyed(rows: list[Row]) -> list[tuple[bool, int]]:
    """Runs of the key pin, with their length in clocks, from the first mark on."""
    levels = [row["key"] == "H" for row in cycles(rows)]
    runs = [(level, sum(1 for _ in run)) for level, run in groupby(levels)]
    return runs if runs[0][0] else runs[1:]


def heard(runs: list[tuple[bool, int]], dot: int) -> str:
    """Read text off the key as a person would: by the lengths of marks and gaps alone."""
    letters = {signal: char for char, signal in MORSE.CODE.items()}
    marks = {dot: ".", 3 * dot: "-"}
    gaps = {dot: "", 3 * dot: "|", 7 * dot: "| |"}
    line = "".join((marks if level else gaps)[length] for level, length in runs)
    return "".join(letters.get(part, part) for part in line.split("|"))


def test_morse_table_reads_as_the_text_it_was_made_from() -> None:
    """ITU-R M.1677-1, section 2: dash 3 dots, gaps 1, 3 and 7; no other length may occur."""
    runs = keyed(table_rows("morse", "alphabet.csv"))
    assert runs[-1] == (False, 28)
    text = heard(runs, dot=4)
    assert set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.,? ") == set(text)
    assert "THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG, 1234567890 TIMES. WHY? " in text


def test_the_word_paris_with_its_gap_takes_50_dots() -> None:
    """The word by which speed is counted (common practice, no source)."""
    assert sum(dots for _, dots, _ in MORSE.units("PARIS ")) == 50

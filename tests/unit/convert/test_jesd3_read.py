"""JESD3 files: what is read from one, and every way in which one can be wrong or damaged."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.convert import Jesd3File, read_jesd3
from harness.convert.jesd3_frame import framed
from harness.convert.jesd3_read import MAX_VECTORS
from harness.errors import Finding

PATH = Path("part.jed")
VECTORS = "V0001 01N*\nV0002 1HN*\n"


def transmitted(fields: str, heading: str = "A part") -> bytes:
    """A file with its checksum."""
    return framed(f"{heading}*\n{fields}".encode("latin-1"))


def sound(fields: str) -> Jesd3File:
    file, findings = read_jesd3(transmitted(fields), PATH)
    assert file is not None
    assert findings == []
    return file


def rows(file: Jesd3File) -> list[str]:
    return [row.tobytes().decode() for row in file.symbols]


def findings(data: bytes) -> list[str]:
    """Findings as ``line:column: …``; a file with an error is not given out."""
    file, found = read_jesd3(data, PATH)
    assert (file is None) == any(item.severity == "error" for item in found)
    return [str(item).removeprefix("part.jed:") for item in found]


def test_vectors_are_read_in_the_order_of_their_numbers() -> None:
    file = sound("QP3*QV2*X1*\r\nV2 1HN*V0001 0\n1 N*")
    assert rows(file) == ["01N", "1HN"]
    assert (file.order, file.default, file.heading) == ((1, 2, 3), "1", "A part")
    assert str(file.place(0)) == "part.jed:3:8"


def test_p_gives_the_pin_of_each_condition() -> None:
    assert sound(f"P 7 3 12*{VECTORS}").order == (7, 3, 12)


def test_a_comment_in_front_of_a_vector_is_its_label_and_others_are_notes() -> None:
    file = sound("N one*N two\r\nlines*V1 H*N wrap*V2 L*N last*")
    assert file.labels == {0: "two lines", 1: "wrap"}
    assert file.notes == ("one", "last")


def test_fields_of_device_programming_are_left_out_and_counted() -> None:
    file = sound(f"QF448*F0*G1*L000 1111*\nL028 0101*C124E*{VECTORS}")
    assert file.omissions == (
        "1 field QF (number of fuses), 1 field F (default fuse state), 1 field G (security fuse), "
        "2 fields L (fuse list), 1 field C (fuse checksum)"
    )


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_the_checksum_0000_means_that_none_was_computed(ending: str) -> None:
    fields = VECTORS.replace("\n", ending)
    data = f"\x02x*{fields}\x030000{ending}".encode()
    assert findings(data) == []
    assert findings(b"\n \x02" + data[1:] + b"\x1a") == []


WARNINGS = {
    "left out": (
        f"T01*{VECTORS}T02*",
        (
            "2:1: warning [jesd3-left-out] field T (test cycles) is left out, because a table "
            "has nothing like it (and in 1 more row); check that the test needs no such field"
        ),
    ),
    "twice": (
        VECTORS + "V0002 0LN*",
        (
            "4:1: warning [jesd3-vector-twice] vector 2 occurs twice; the last one counts; "
            "give every vector its own number"
        ),
    ),
    "gap": (
        "V1 H*V3 L*",
        (
            "2:6: warning [jesd3-gap] vector 2 is missing: vector 3 follows at once; "
            "check that none was lost"
        ),
    ),
}


@pytest.mark.parametrize(("fields", "message"), WARNINGS.values(), ids=WARNINGS)
def test_what_may_be_missing_is_a_warning(fields: str, message: str) -> None:
    assert findings(transmitted(fields)) == [message]


ERRORS = {
    "no vectors": (
        "F0*",
        (
            "1:1: error [jesd3-no-vectors] the file has no test vectors (V fields); "
            "name a file with vectors"
        ),
    ),
    "a vector without a space": (
        "V000101N*",
        (
            '2:1: error [jesd3-vector] "V000101N" is not a vector; '
            "write V, its number, a space, conditions"
        ),
    ),
    "a preload": (
        VECTORS + "V3 0 BN*V4 0BN*",
        (
            '4:6: error [unsupported-symbol] vector 3: condition 2 is "B", which asks for a '
            "preload; no pin driver here supports it (and in 1 more row); "
            "conditions are 0 1 C K H L Z F X N"
        ),
    ),
    "a supervoltage": (
        "V1 0N3*",
        (
            '2:6: error [unsupported-symbol] vector 1: condition 3 is "3", which asks for a '
            "supervoltage; no pin driver here supports it; conditions are 0 1 C K H L Z F X N"
        ),
    ),
    "no condition": (
        "V1 0?N*",
        (
            '2:5: error [unknown-symbol] vector 1: condition 2 is "?"; '
            "conditions are 0 1 C K H L Z F X N"
        ),
    ),
    "a short vector": (
        "QP3*" + VECTORS + "V3 0H*",
        ("4:1: error [jesd3-vector] vector 3 has 2 conditions for 3 pins; write one for each"),
    ),
    "too many vectors": (
        "QV1*" + VECTORS,
        (
            "1:1: error [jesd3-value] the file has 2 vectors, but QV says at most 1; "
            "correct QV, or get an undamaged file"
        ),
    ),
    "pins twice": (
        "P 1 2 2*" + VECTORS,
        (
            '2:1: error [jesd3-pins] "P 1 2 2" is not a list of distinct pin numbers; '
            "write P and the pin of each condition, at most 999"
        ),
    ),
    "too few pins": (
        "QP3*P 1 2*" + VECTORS,
        (
            "1:1: error [jesd3-pins] the file has 3 pins and P lists 2; "
            "list each pin once, at most 999"
        ),
    ),
    "a third level": (
        "X2*" + VECTORS,
        '2:1: error [jesd3-value] "X2" is not a default test condition; write X0 or X1',
    ),
    "no number of pins": (
        "QP*" + VECTORS,
        (
            '2:1: error [jesd3-value] "QP" is not a number of pins, vectors or fuses; '
            "write QP, QV or QF and a number"
        ),
    ),
    "an open field": (
        VECTORS + "V3 0H",
        (
            "4:1: error [jesd3-field] the last field does not end with *; "
            "end it with *, or get the whole file"
        ),
    ),
    "a control character": (
        VECTORS + "N \x07*",
        ("4:3: error [jesd3-frame] 0x07 is not a character of a JESD3 file; get an undamaged file"),
    ),
}


@pytest.mark.parametrize(("fields", "message"), ERRORS.values(), ids=ERRORS)
def test_what_is_wrong_is_reported_with_its_place(fields: str, message: str) -> None:
    assert findings(transmitted(fields)) == [message]


def test_a_file_without_its_frame_is_refused() -> None:
    data = transmitted(VECTORS)
    assert findings(data[1:]) == [
        (
            "1:1: error [jesd3-frame] the file has no STX character (0x02), with which JESD3 "
            "data begins; check that this is a JEDEC file with its beginning"
        )
    ]
    end = data.index(b"\x03")
    assert findings(data[:end]) == [
        (
            "4:1: error [jesd3-frame] the file has no ETX character (0x03), so it is cut off; "
            "get the whole file"
        )
    ]
    assert findings(data[: end + 4]) == [
        (
            "4:2: error [jesd3-checksum] the transmission checksum, four hexadecimal digits "
            "after ETX, is missing; get the whole file, or write 0000 for none"
        )
    ]
    assert findings(data + data) == [
        (
            "4:6: error [jesd3-outside] text follows the transmission checksum; "
            "keep one transmission in each file"
        )
    ]
    assert findings(b"from a disk\n" + data) == [
        "1:1: warning [jesd3-outside] the text before STX is ignored; check what it is"
    ]


def test_a_file_with_a_second_transmission_is_refused() -> None:
    data = transmitted(VECTORS)
    assert findings(data[1:] + data) == [
        (
            "1:1: error [jesd3-outside] a transmission ends before STX; "
            "keep one transmission in each file"
        )
    ]


def test_an_endless_field_takes_no_longer_than_others() -> None:
    began = time.process_time()
    assert len(findings(transmitted("V1 H*" + "<a>" * 300_000))) == 1
    assert time.process_time() - began < 2


def test_a_wrong_checksum_is_refused_and_line_breaks_are_suspected_if_they_explain_it() -> None:
    data = transmitted(VECTORS)
    assert data.endswith(b"\x03069E\r\n")
    assert findings(data.replace(b"1HN", b"1LN")) == [
        (
            "4:2: error [jesd3-checksum] the transmission checksum is 069E, but the characters "
            "from STX to ETX add up to 06A2; get an undamaged file, or write 0000 if it was "
            "edited by hand"
        )
    ]
    assert findings(data.replace(b"\n", b"\r\n")) == [
        (
            "4:2: error [jesd3-checksum] the transmission checksum is 069E, but the characters "
            "from STX to ETX add up to 06C5; its line breaks were converted: copy the file "
            "unchanged, or write 0000"
        )
    ]


def test_the_checksum_is_the_plain_sum_of_the_characters_without_parity() -> None:
    data = transmitted("N \xe9*" + VECTORS)
    start, end = data.index(2), data.index(3)
    assert int(data[end + 1 : end + 5], 16) == sum(byte & 127 for byte in data[start : end + 1])


def test_a_file_has_at_most_so_many_vectors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.convert.jesd3_read.MAX_VECTORS", 2)
    assert MAX_VECTORS == 500_000
    assert findings(transmitted("V1 H*V2 H*V2 L*V3 H*V4 H*")) == [
        (
            "2:11: warning [jesd3-vector-twice] vector 2 occurs twice; the last one counts; "
            "give every vector its own number"
        ),
        (
            "2:16: error [jesd3-too-long] the file has more than 2 vectors (and in 1 more "
            "row); split it"
        ),
    ]


def check_places(found: list[Finding], data: bytes) -> None:
    lines = data.count(b"\n") + 1
    for item in found:
        assert re.fullmatch(r"[a-z0-9-]+", item.rule)
        assert item.message
        assert item.advice
        assert 1 <= item.location.line <= lines or item.rule == "more-findings"


FIELD = st.text(st.sampled_from("VPXNQLFTB*01CKHLZFXN23 \n9é"), max_size=60)


@given(FIELD)
def test_any_fields_are_read_or_reported_with_their_places(fields: str) -> None:
    data = transmitted(fields)
    file, found = read_jesd3(data, PATH)
    check_places(found, data)
    if file is None:
        assert any(item.severity == "error" for item in found)
    else:
        assert file.symbols.shape == (len(file.offsets), len(file.order))
        assert {chr(symbol) for symbol in file.symbols.ravel()} <= set("01CKHLZFXN")


@given(st.binary(max_size=200), st.sampled_from([b"", b"\x02", transmitted(VECTORS)]))
def test_any_bytes_are_read_or_reported(data: bytes, before: bytes) -> None:
    file, found = read_jesd3(before + data, PATH)
    check_places(found, before + data)
    assert (file is None) == any(item.severity == "error" for item in found)


@given(st.integers(0, 10**6), st.integers(1, 255))
def test_a_changed_byte_is_noticed(at: int, change: int) -> None:
    """But for parity bits, which are not added up, and a checksum that becomes 0000."""
    data = transmitted(VECTORS + "N why*")
    start, end = data.index(2), data.index(3)
    place = start + at % (end + 5 - start)
    spoiled = data[:place] + bytes([data[place] ^ change]) + data[place + 1 :]
    file, _ = read_jesd3(spoiled, PATH)
    unseen = change == 0x80 or spoiled[end + 1 : end + 5].upper() == data[end + 1 : end + 5]
    assert file is None or unseen

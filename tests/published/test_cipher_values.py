"""Published values of the cipher designs: AES S-box, ChaCha quarter round, PRESENT-80.

Each definition in a generator is built up to a whole cipher here and compared with PyPI
``cryptography``, or with vectors that the source prints.
"""

from __future__ import annotations

import random

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from tests.published.generators import Row, load_generator, table_rows

AES = load_generator("aessbox")
CHACHA = load_generator("chachaqr")
PRESENT = load_generator("present80")


def expanded_key(key: bytes, box: list[int]) -> list[bytes]:
    """The eleven round keys of AES-128 (FIPS 197, 5.2)."""
    words = [key[i : i + 4] for i in range(0, 16, 4)]
    constant = 1
    for i in range(4, 44):
        word = words[-1]
        if i % 4 == 0:
            word = bytes(box[byte] for byte in word[1:] + word[:1])
            word = bytes([word[0] ^ constant]) + word[1:]
            constant = AES.multiply(constant, 2)
        words.append(bytes(a ^ b for a, b in zip(word, words[i - 4], strict=True)))
    return [b"".join(words[i : i + 4]) for i in range(0, 44, 4)]


def mixed(column: bytes) -> bytes:
    """MixColumns on one column (FIPS 197, 5.1.3)."""
    return bytes(
        AES.multiply(2, column[i])
        ^ AES.multiply(3, column[(i + 1) % 4])
        ^ column[(i + 2) % 4]
        ^ column[(i + 3) % 4]
        for i in range(4)
    )


def aes_128(key: bytes, text: bytes, box: list[int], used: set[int]) -> bytes:
    """One block of AES-128 (FIPS 197, 5.1) around the S-box given; notes which bytes it met."""
    keys = expanded_key(key, box)
    state = bytes(a ^ b for a, b in zip(text, keys[0], strict=True))
    for number in range(1, 11):
        used.update(state)
        state = bytes(box[state[(i + 4 * (i % 4)) % 16]] for i in range(16))
        if number < 10:
            state = b"".join(mixed(state[i : i + 4]) for i in range(0, 16, 4))
        state = bytes(a ^ b for a, b in zip(state, keys[number], strict=True))
    return state


def test_aes_figures_7_and_14_begin_and_end_as_printed() -> None:
    """FIPS 197, figures 7 and 14; rows from memory, all of it confirmed by the next test."""
    box = AES.sbox()
    assert bytes(box[:16]).hex() == "637c777bf26b6fc53001672bfed7ab76"
    assert bytes(box[240:]).hex() == "8ca1890dbfe6426841992d0fb054bb16"
    back = AES.inverse_sbox(box)
    assert bytes(back[:16]).hex() == "52096ad53036a538bf40a39e81f3d7fb"
    assert bytes(back[240:]).hex() == "172b047eba77d626e169146355210c7d"
    assert box[0x53] == 0xED  # section 5.1.1


def test_aes_around_the_sbox_agrees_with_an_independent_library() -> None:
    """PyPI ``cryptography``, on blocks that meet every entry of the S-box."""
    box = AES.sbox()
    source = random.Random(197)
    used: set[int] = set()
    for _ in range(24):
        key, text = source.randbytes(16), source.randbytes(16)
        library = Cipher(algorithms.AES(key), modes.ECB()).encryptor()
        assert aes_128(key, text, box, used) == library.update(text)
    assert used == set(range(256))


def test_aes_example_of_appendix_b() -> None:
    """FIPS 197, appendix B; from memory, confirmed by the computation around the S-box."""
    cipher = aes_128(
        bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c"),
        bytes.fromhex("3243f6a8885a308d313198a2e0370734"),
        AES.sbox(),
        set(),
    )
    assert cipher.hex() == "3925841d02dc09fbdc118597196a0b32"


def test_aes_table_holds_both_figures_whole() -> None:
    rows = table_rows("aessbox", "exhaustive.csv")
    found = {(row["inv"], int(row["a"], 0)): int(row["s"], 0) for row in rows}
    assert len(found) == len(rows) == 512
    assert [found["0", a] for a in range(256)] == AES.sbox()
    assert all(found["1", found["0", a]] == a for a in range(256))


@pytest.mark.parametrize(
    ("before", "after"),
    [
        # RFC 8439, section 2.1.1
        (
            (0x11111111, 0x01020304, 0x9B8D6F43, 0x01234567),
            (0xEA2A92F4, 0xCB1CF8CE, 0x4581472E, 0x5881C4BB),
        ),
        # RFC 8439, section 2.2.1, words 2, 7, 8 and 13; from memory, confirmed by the library below
        (
            (0x516461B1, 0x2A5F714C, 0x53372767, 0x3D631689),
            (0xBDB886DC, 0xCFACAFD2, 0xE46BEA80, 0xCCC07C79),
        ),
    ],
)
def test_chacha_quarter_rounds_of_the_rfc(before: tuple[int, ...], after: tuple[int, ...]) -> None:
    assert CHACHA.quarter_round(before) == after


def chacha_block(key: bytes, counter: int, nonce: bytes) -> bytes:
    """The block function of RFC 8439, section 2.3, from the generator's quarter round."""
    constants = b"expand 32-byte k"
    start = constants + key + counter.to_bytes(4, "little") + nonce
    first = [int.from_bytes(start[i : i + 4], "little") for i in range(0, 64, 4)]
    state = list(first)
    columns = [(i, i + 4, i + 8, i + 12) for i in range(4)]
    diagonals = [(i, 4 + (i + 1) % 4, 8 + (i + 2) % 4, 12 + (i + 3) % 4) for i in range(4)]
    for _ in range(10):
        for places in columns + diagonals:
            words = CHACHA.quarter_round(tuple(state[place] for place in places))
            for place, word in zip(places, words, strict=True):
                state[place] = word
    total = [(a + b) & 0xFFFFFFFF for a, b in zip(first, state, strict=True)]
    return b"".join(word.to_bytes(4, "little") for word in total)


def test_chacha_blocks_agree_with_an_independent_library() -> None:
    """PyPI ``cryptography``; the first block is that of RFC 8439, section 2.3.2."""
    source = random.Random(8439)
    cases = [(bytes(range(32)), 1, bytes.fromhex("000000090000004a00000000"))]
    cases += [
        (source.randbytes(32), source.getrandbits(32), source.randbytes(12)) for _ in range(10)
    ]
    for key, counter, nonce in cases:
        start = counter.to_bytes(4, "little") + nonce
        library = Cipher(algorithms.ChaCha20(key, start), mode=None).encryptor()
        assert chacha_block(key, counter, nonce) == library.update(bytes(64))
    assert chacha_block(*cases[0]).hex().startswith("10f1e7e4d13b5915500fdd1fa32071c4")


def byte_stream(rows: list[Row], column: str) -> bytes:
    """The bytes of a column, row after row."""
    return bytes(int(row[column], 0) for row in rows)


def test_chacha_table_shows_the_results_of_the_rfc_on_the_pins() -> None:
    """RFC 8439, 2.1.1: what is read after the first four steps, one byte a clock."""
    rows = table_rows("chachaqr", "published.csv")
    assert byte_stream(rows[:16], "data").hex() == "11111111010203049b8d6f4301234567"
    assert all(row["step"] == "1" for row in rows[16:20])
    assert byte_stream(rows[19:35], "q").hex() == "ea2a92f4cb1cf8ce4581472e5881c4bb"


@pytest.mark.parametrize(
    ("key", "text", "cipher"),
    [
        (0, 0, 0x5579C1387B228445),
        ((1 << 80) - 1, 0, 0xE72C46C0F5945049),
        (0, (1 << 64) - 1, 0xA112FFC72F68417B),
        ((1 << 80) - 1, (1 << 64) - 1, 0x3333DCD3213210D2),
    ],
)
def test_present_vectors_of_appendix_i(key: int, text: int, cipher: int) -> None:
    """Bogdanov et al., CHES 2007; from memory, confirmed by two other published test suites."""
    assert PRESENT.encrypt(key, text) == cipher


def test_present_layers_are_those_of_the_paper() -> None:
    """CHES 2007, section 3: the S-box as printed; bit 1 moves to 16, bit 4 to 1, bit 62 to 47."""
    assert "".join(f"{value:X}" for value in PRESENT.SBOX) == "C56B90AD3EF84712"
    moved = [PRESENT.permute(1 << bit).bit_length() - 1 for bit in range(64)]
    assert sorted(moved) == list(range(64))
    assert (moved[0], moved[1], moved[4], moved[62], moved[63]) == (0, 16, 1, 47, 63)


def test_present_table_shows_the_ciphertexts_of_the_paper_on_the_pins() -> None:
    """Each ciphertext is read while the next text is shifted in, one byte a clock."""
    rows = table_rows("present80", "published.csv")
    shown: list[str] = []
    for number, row in enumerate(rows):
        if row["op"] == "2" and rows[number - 1]["op"] != "2":
            shown.append((byte_stream([rows[number - 1], *rows[number : number + 7]], "q")).hex())
    printed = ["5579c1387b228445", "e72c46c0f5945049", "a112ffc72f68417b", "3333dcd3213210d2"]
    assert shown == ["0000000000000000", *printed, *printed]

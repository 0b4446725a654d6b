"""The memory's March test against the faults that it must find; the video timing's counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import groupby, product

from tests.published.generators import cycles, table_rows

Operation = tuple[str, int, int]
"""``w`` or ``r``, address, word."""

Write = Callable[[list[int], int, int], None]
"""How a memory of bits is written: cells, cell, level."""


def operations() -> list[Operation]:
    """The March table as operations."""
    found = []
    for row in table_rows("ram16x4", "march.csv"):
        kind = "w" if row["we"] == "1" else "r"
        word = int(row["dq"].replace("H", "1").replace("L", "0"), 2)
        assert (row["dq"] == f"{word:04b}") == (kind == "w")
        found.append((kind, int(row["a"], 0), word))
    return found


MARCH = operations()


def test_march_table_is_ten_operations_a_word_for_each_background() -> None:
    """Van de Goor (1991): w0 | r0,w1 | r1,w0 | r0,w1 | r1,w0 | r0; each word sees the same ten."""
    assert len(MARCH) == 3 * 10 * 16
    for part, background in enumerate((0b0000, 0b0101, 0b0011)):
        block = MARCH[part * 160 : (part + 1) * 160]
        for address in range(16):
            seen = "".join(kind + str(int(word != background)) for kind, at, word in block
                           if at == address)  # fmt: skip
            assert seen == "w0r0w1r1w0r0w1r1w0r0"


def test_march_elements_go_up_twice_and_then_down() -> None:
    """The order of addresses: either, up, up, down, down, either."""
    up, down = list(range(16)), list(range(15, -1, -1))
    elements = MARCH[:160]
    first = [at for _, at, _ in elements[:16]]
    walks = [[at for _, at, _ in elements[start : start + 32 : 2]] for start in (16, 48, 80, 112)]
    assert sorted(first) == up
    assert walks == [up, up, down, down]
    assert {at for _, at, _ in elements[144:160]} == set(up)


def detected(write: Write, start: int) -> bool:
    """Whether the March table notices a memory of bits that writes in this faulty way."""
    cells = [start] * 64
    for kind, address, word in MARCH:
        for bit in range(4):
            cell = 4 * address + bit
            level = word >> bit & 1
            if kind == "w":
                write(cells, cell, level)
            elif cells[cell] != level:
                return True
    return False


def plain(cells: list[int], cell: int, level: int) -> None:
    """A memory without a fault."""
    cells[cell] = level


def stuck(victim: int, level: int) -> Write:
    """One cell holds a level whatever is written."""

    def write(cells: list[int], cell: int, value: int) -> None:
        cells[cell] = level if cell == victim else value

    return write


def lazy(victim: int, level: int) -> Write:
    """One cell cannot be changed to a level."""

    def write(cells: list[int], cell: int, value: int) -> None:
        if cell != victim or value != level:
            cells[cell] = value

    return write


def coupled(aggressor: int, victim: int, edge: int, effect: str) -> Write:
    """A change of one cell to ``edge`` inverts or sets another."""

    def write(cells: list[int], cell: int, value: int) -> None:
        changed = cell == aggressor and cells[cell] != value and value == edge
        cells[cell] = value
        if changed:
            cells[victim] = 1 - cells[victim] if effect == "invert" else int(effect[-1])

    return write


def test_march_passes_a_good_memory_whatever_it_held_before() -> None:
    assert not detected(plain, 0)
    assert not detected(plain, 1)


def test_march_finds_every_stuck_cell_and_every_cell_that_cannot_change_one_way() -> None:
    """Stuck-at and transition faults: 100 % by March C- (van de Goor 1991)."""
    for victim, level in product(range(64), (0, 1)):
        assert detected(stuck(victim, level), level)
        assert detected(lazy(victim, level), 1 - level)


def test_march_finds_every_coupling_between_cells_of_different_words() -> None:
    """Unlinked inversion and idempotent coupling faults: 100 % by March C- (van de Goor 1991).

    One bit column is enough: every column is written and read in the same order.
    """
    column = range(0, 64, 4)
    for aggressor, victim, edge in product(column, column, (0, 1)):
        if aggressor == victim:
            continue
        for effect in ("invert", "set 0", "set 1"):
            faulty = coupled(aggressor, victim, edge, effect)
            assert detected(faulty, 0), (aggressor, victim, edge, effect)


def test_memory_bus_is_driven_by_one_side_at_a_time() -> None:
    """The tester drives only with the chip's output off; the chip floats only when not read."""
    for file in ("bus.csv", "march.csv", "random.csv"):
        for row in table_rows("ram16x4", file):
            chip = row["we"] == "0" and row["oe_n"] == "0"
            if set(row["dq"]) & set("01"):
                assert not chip
            if "Z" in row["dq"]:
                assert not chip
            if set(row["dq"]) & set("HL"):
                assert chip


def test_video_frame_has_the_counts_of_the_standard() -> None:
    """Industry standard 640 x 480: 800 clocks by 525 lines; read in two published copies."""
    frame = list(cycles(table_rows("vgatiming", "frame.csv")))
    assert len(frame) == 800 * 525 == 420_000
    count = Counter[str]()
    for row in frame:
        count["hsync"] += row["hsync_n"] == "L"
        count["vsync"] += row["vsync_n"] == "L"
        count["visible"] += row["visible"] == "H"
        count["lines"] += row["line_end"] == "H"
        count["frames"] += row["frame_end"] == "H"
    assert count == {
        "hsync": 96 * 525,
        "vsync": 2 * 800,
        "visible": 640 * 480,
        "lines": 525,
        "frames": 1,
    }
    assert round(25_175_000 / len(frame), 2) == 59.94


def test_video_line_and_frame_follow_each_other_as_the_standard_says() -> None:
    """640 visible, 16 front porch, 96 sync, 48 back porch; 480, 10, 2, 33 lines."""
    frame = list(cycles(table_rows("vgatiming", "frame.csv")))
    line = frame[799:1599]  # the table's first cycle shows x = 1
    parts = [
        (key, sum(1 for _ in run))
        for key, run in groupby((row["visible"], row["hsync_n"]) for row in line)
    ]
    assert parts == [(("H", "H"), 640), (("L", "H"), 16), (("L", "L"), 96), (("L", "H"), 48)]
    starts = [frame[-1], *frame[799:-1:800]]
    parts = [
        (key, sum(1 for _ in run))
        for key, run in groupby((row["visible"], row["vsync_n"]) for row in starts)
    ]
    assert parts == [(("H", "H"), 480), (("L", "H"), 10), (("L", "L"), 2), (("L", "H"), 33)]


def test_video_bars_are_eight_of_80_pixels_from_white_to_black() -> None:
    """Order of colour bars by falling brightness (common practice, no source)."""
    frame = list(cycles(table_rows("vgatiming", "frame.csv")))
    bars = [
        (rgb, sum(1 for _ in run)) for rgb, run in groupby(row["rgb"] for row in frame[799:1439])
    ]
    assert [length for _, length in bars] == [80] * 8
    weights = [
        0.299 * (rgb >> 2 & 1) + 0.587 * (rgb >> 1 & 1) + 0.114 * (rgb & 1)
        for rgb in (int(text, 0) for text, _ in bars)
    ]
    assert weights == sorted(weights, reverse=True)

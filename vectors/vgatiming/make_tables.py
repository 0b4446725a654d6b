"""Tables of the video timing, from the standard's counts of clocks and lines.

A line is 640 visible clocks, 16 front porch, 96 sync, 48 back porch; a frame is 480 visible lines,
10 front porch, 2 sync, 33 back porch. A position (x, y) is what the pins show before the next
clock; a row with ``repeat`` covers a run of positions that look alike.
"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,run,skip,hsync_n,vsync_n,visible,rgb,line_end,frame_end,repeat,label,note"

VISIBLE_X, FRONT_X, SYNC_X, BACK_X = 640, 16, 96, 48
VISIBLE_Y, FRONT_Y, SYNC_Y, BACK_Y = 480, 10, 2, 33
CLOCKS = VISIBLE_X + FRONT_X + SYNC_X + BACK_X
LINES = VISIBLE_Y + FRONT_Y + SYNC_Y + BACK_Y
BARS = (7, 6, 3, 2, 5, 4, 1, 0)
"""White, yellow, cyan, green, magenta, red, blue, black as bits red, green, blue."""


def pins(x: int, y: int) -> str:
    """Cells of the output columns at a position."""
    visible = x < VISIBLE_X and y < VISIBLE_Y
    hsync = VISIBLE_X + FRONT_X <= x < VISIBLE_X + FRONT_X + SYNC_X
    vsync = VISIBLE_Y + FRONT_Y <= y < VISIBLE_Y + FRONT_Y + SYNC_Y
    last = x == CLOCKS - 1
    levels = [not hsync, not vsync, visible]
    ends = [last, last and y == LINES - 1]
    rgb = BARS[x // 80] if visible else 0
    return ",".join(["HL"[not v] for v in levels] + [f"0x{rgb:X}"] + ["HL"[not v] for v in ends])


def scan(positions: list[tuple[int, int]], label: str, *, skip: int = 0) -> list[str]:
    """Rows that clock through positions, runs of equal pins folded into one row.

    A row's outputs are tested after its clock, so ``positions`` starts with the second one.
    """
    rows: list[str] = []
    for cells, run in groupby(pins(x, y) for x, y in positions):
        count = sum(1 for _ in run)
        rows.append(f"C,1,{skip},{cells},{count},{label if not rows else ''},")
    return rows


def line(y: int, label: str) -> list[str]:
    """One line, from its second position to the first of the next line."""
    after = (0, (y + 1) % LINES)
    return scan([*((x, y) for x in range(1, CLOCKS)), after], label)


def lines() -> str:
    """Test two lines clock by clock, every line by skipping, and the end of a frame."""
    rows = [f"0,0,0,{pins(0, 0)},,reset,top left"]
    rows += [f"C,0,0,{pins(0, 0)},5,hold,run is low"]
    rows += line(0, "line 0") + line(1, "line 1")
    rows += scan([(0, y) for y in range(3, LINES)] + [(0, 0)], "skip lines", skip=1)
    rows += scan([(0, y) for y in range(1, LINES)], "skip to the last line", skip=1)
    rows += line(LINES - 1, "last line") + line(0, "line 0 again")
    title = f"# Two lines of {CLOCKS} clocks, then {LINES} lines by skipping"
    return "\n".join([title, HEADER, *rows, ""])


def frame() -> str:
    """Test every clock of a whole frame."""
    rows = []
    for y in range(LINES):
        rows += line(y, f"line {y}")
    title = f"# A whole frame: {LINES} lines of {CLOCKS} clocks"
    return "\n".join([title, HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"lines.csv": lines(), "frame.csv": frame()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")

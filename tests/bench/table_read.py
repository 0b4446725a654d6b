"""What reading a table costs next to ``pandas.read_csv`` alone on the same file.

Run: ``python tests/bench/table_read.py [ROWS]``. Three tables of 1,000,000 rows × 12 columns:
symbols only; with a 16-bit decimal counter, a hexadecimal bus and a few labels; and the same with
another label on every row. Both readers run in turn, each in a fresh process, five times; the
fastest of each counts (processor time, so that other load on the machine does not). Memory is the
growth of the process's peak resident set during the reading, with all imports done before (Linux).

Targets: at most 1.5 × the time, at most 200 bytes of peak memory a row.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from harness.shuttle import Bus, Design, Direction, Pin, Shuttle
from harness.table import load_table

TIMES = 5
IN, OUT = Direction.INPUT, Direction.OUTPUT


def chip(inputs: dict[str, int], outputs: dict[str, int]) -> tuple[Design, Shuttle]:
    """Make a design with these signals (name → pins) on a chip that has just their pins."""
    pins: list[Pin] = []
    signals: list[Bus] = []
    for name, width, direction in (
        *((name, width, IN) for name, width in inputs.items()),
        *((name, width, OUT) for name, width in outputs.items()),
    ):
        new = [Pin(f"{name}_{bit}", direction, len(pins) + bit) for bit in range(width)]
        pins += new
        signals.append(Bus(name, tuple(reversed(new)), direction))
    design = Design("bench", "", "", 0, "", 1e6, Path(), tuple(signals), (), "bench")
    return design, Shuttle("bench", "", ".*", tuple(pins), (design,), Path(), "")


SYMBOLS = chip({"clk": 1, **{f"a{n}": 1 for n in range(6)}}, {f"q{n}": 1 for n in range(4)})
COUNTER = chip({"clk": 1, "d": 16, "e": 6, "a": 1, "b": 1}, {f"q{n}": 1 for n in range(5)})


def symbol_columns(rng: np.random.Generator, rows: int) -> dict[str, list[str]]:
    return {
        "clk": ["C"] * rows,
        **{f"a{n}": rng.choice(list("01"), rows).tolist() for n in range(6)},
        **{f"q{n}": rng.choice(list("HLX"), rows).tolist() for n in range(4)},
        "note": [""] * rows,
    }


def counter_columns(rng: np.random.Generator, rows: int) -> dict[str, list[str]]:
    return {
        "clk": ["C"] * rows,
        "d": [str(n % 65536) for n in range(rows)],
        "e": [f"0x{n * 7 % 64:02x}" for n in range(rows)],
        **{name: rng.choice(list("01"), rows).tolist() for name in "ab"},
        **{f"q{n}": rng.choice(list("HLX"), rows).tolist() for n in range(5)},
        "label": [f"block {n // 1000}" if n % 1000 == 0 else "" for n in range(rows)],
        "note": [""] * rows,
    }


def label_columns(rng: np.random.Generator, rows: int) -> dict[str, list[str]]:
    return counter_columns(rng, rows) | {"label": [f"step {n}" for n in range(rows)]}


TABLES = {
    "symbols": (symbol_columns, SYMBOLS),
    "counter": (counter_columns, COUNTER),
    "labels": (label_columns, COUNTER),
}


def write(path: Path, columns: dict[str, list[str]]) -> None:
    """Write columns as a CSV file, by the block."""
    rows = len(next(iter(columns.values())))
    with path.open("w") as file:
        file.write(",".join(columns) + "\n")
        for start in range(0, rows, 50_000):
            part = [column[start : start + 50_000] for column in columns.values()]
            file.write("\n".join(map(",".join, zip(*part, strict=True))) + "\n")


def resident(name: str) -> int:
    """Bytes of the process's resident set, now (VmRSS) or at its peak (VmHWM)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split(f"{name}:")[1].split()[0]) * 1024


def measure(reader: str, table: str, path: Path) -> None:
    """Read once and print seconds and bytes: the body of a child process."""
    design, shuttle = TABLES[table][1]
    warm = path.with_suffix(".warm.csv")
    load_table(warm, design, shuttle)
    Path("/proc/self/clear_refs").write_text("5")  # the peak starts from what is resident now
    before = resident("VmRSS")
    started = time.process_time()
    read = pd.read_csv(path) if reader == "pandas" else load_table(path, design, shuttle)
    seconds = time.process_time() - started
    grown = resident("VmHWM") - before
    json.dump({"seconds": seconds, "bytes": grown, "rows": len(read)}, sys.stdout)


def child(reader: str, table: str, path: Path) -> dict[str, float]:
    command = [sys.executable, __file__, reader, table, str(path)]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    result: dict[str, float] = json.loads(text)
    return result


def compare(table: str, rows: int, folder: Path) -> None:
    """Print one line: both readers on one file."""
    path = folder / f"{table}.csv"
    columns = TABLES[table][0](np.random.default_rng(1), rows)
    write(path, columns)
    write(path.with_suffix(".warm.csv"), {name: column[:100] for name, column in columns.items()})
    runs = [(child("pandas", table, path), child("harness", table, path)) for _ in range(TIMES)]
    alone = min(run[0]["seconds"] for run in runs)
    ours = min(run[1]["seconds"] for run in runs)
    memory = max(run[1]["bytes"] for run in runs) / rows
    plain = max(run[0]["bytes"] for run in runs) / rows
    print(
        f"{table:8} pandas {alone:6.3f} s  harness {ours:6.3f} s  ratio {ours / alone:4.2f} "
        f"(at most 1.50)   pandas {plain:4.0f} B/row  harness {memory:4.0f} B/row (at most 200)"
    )


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(f"{rows:,} rows × 12 columns, fastest of {TIMES}, processor time")
    with tempfile.TemporaryDirectory() as folder:
        for table in TABLES:
            compare(table, rows, Path(folder))


if __name__ == "__main__":
    if len(sys.argv) == 4:
        measure(sys.argv[1], sys.argv[2], Path(sys.argv[3]))
    else:
        main()

"""What it takes a board to expand blocks: the agent's own loops, timed in the real interpreter.

``reference`` is the loop that takes 59 cycles a vector on an RP2040 (viper: write, read, compare,
count; measured there); times of other viper loops over its time, times 59, are the estimates of
cycles.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from harness.agent.backends import PINS_AT, backend, texts
from harness.agent.protocol import CONSTANT
from tests.unit.agent.micropython import INTERPRETER

REFERENCE_CYCLES = 59
ROWS = 1024

SCRIPT = """
import binascii, json, time
from array import array
for number in range(@texts@):
    with open("text%d.py" % number) as file:
        exec(file.read(), globals())

@micropython.viper
def reference(drive, expect, pins, count: int) -> int:
    d = ptr32(drive)
    e = ptr32(expect)
    p = ptr32(pins)
    bad = 0
    i = 0
    while i < count:
        p[0] = d[i]
        if p[1] ^ e[i]:
            bad += 1
        i += 1
    return bad

@micropython.viper
def fill_plane(target, body, job) -> int:
    t = ptr8(target)
    b = ptr8(body)
    j = ptr32(job)
    count = int(j[0])
    to = int(j[1])
    mode = int(j[2])
    at = int(j[3])
    i = 0
    last = 0
    if mode == 3:
        last = int(b[at])
        while i < count:
            t[to] = last
            to += 4
            i += 1
        return 0
    while i < count:
        byte = int(b[at])
        if mode == 1:
            byte = byte ^ last
        elif mode == 2:
            byte = (byte + last) & 255
        t[to] = byte
        last = byte
        to += 4
        at += 1
        i += 1
    return 0

def byte_planes(block, body, count):
    at = 0
    job = array("I", [count, 0, 0, 0])
    for k in range(len(FIELDS)):
        for plane in range(4):
            job[1] = plane
            job[2] = body[at]
            job[3] = at + 1
            at += 2 if body[at] == @constant@ else 1 + count
            fill_plane(block.fields[k], body, job)

def copy(one):
    for k in range(7):
        copy_words(block.fields[k], other.fields[k], one["count"])

def clock(work, blocks):
    best = None
    for attempt in range(5):
        began = time.time_ns()
        for turn in range(10):
            for block in blocks:
                work(block)
        took = time.time_ns() - began
        best = took if best is None else min(best, took)
    return best / 10 / sum([one["count"] for one in blocks])

with open("cases.json") as file:
    tables = json.load(file)
block = Block(@rows@)
other = Block(@rows@)
plain = bytearray(body_size(@rows@))
pins = words(2)
found = []
for blocks in tables:
    for one in blocks:
        for key in ("coded", "matched", "words", "bytes"):
            one[key] = binascii.unhexlify(one[key])
    found.append({
        "reference": clock(
            lambda b: reference(block.drive, block.expect, pins, b["count"]), blocks
        ),
        "expand": clock(lambda b: block.load(b["coded"], b["count"]), blocks),
        "unmatch": clock(
            lambda b: b["matched"]
            and unmatch(b["matched"], plain, array("I", [len(b["matched"]), len(plain)])),
            blocks,
        ),
        "copy": clock(copy, blocks),
        "words": clock(lambda b: block.load(b["words"], b["count"]), blocks),
        "byte planes": clock(lambda b: byte_planes(block, b["bytes"], b["count"]), blocks),
    })
print(json.dumps(found))
"""


def expansion(tables: Sequence[Sequence[dict[str, int | str]]]) -> list[dict[str, float]] | None:
    """Nanoseconds a vector of each way, per table; None without the real interpreter.

    A block is its count and, in hex, its body coded, matched, as words, as byte planes;
    empty where it is not sent so.
    """
    if not INTERPRETER.exists():
        return None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number, text in enumerate(texts(backend("generic"))[:PINS_AT]):
            (folder / f"text{number}.py").write_text(text, encoding="utf-8")
        (folder / "cases.json").write_text(json.dumps(tables), encoding="utf-8")
        script = SCRIPT
        for mark, number in (("rows", ROWS), ("texts", PINS_AT), ("constant", CONSTANT)):
            script = script.replace(f"@{mark}@", str(number))
        (folder / "script.py").write_text(script, encoding="utf-8")
        done = subprocess.run(
            [INTERPRETER, "-X", "heapsize=64m", "script.py"],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    found: list[dict[str, float]] = json.loads(done.stdout)
    steadiest = min(took["reference"] for took in found)
    return [took | {"reference": steadiest} for took in found]


def cycles(nanoseconds: dict[str, float], *ways: str) -> float:
    """Estimated RP2040 cycles a vector of some ways together."""
    return REFERENCE_CYCLES * sum(nanoseconds[way] for way in ways) / nanoseconds["reference"]

"""Hand-made records for the report tests: one outcome of every verdict, hostile and long ones."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from harness.records import (
    Attempt,
    ChipRecord,
    Conditions,
    EvidenceCycle,
    Outcome,
    PinCount,
    PinResult,
    Reason,
    RunKind,
    RunRecord,
    SourceLine,
    Verdict,
    WaiverRecord,
    Wave,
    Window,
)

START = datetime(2026, 3, 9, 14, 5, 30, tzinfo=UTC)
HOSTILE = '<script>alert("x")</script>&\'"]]>\x00\x1b[31m\u202e\udc80é'


def passed(design: str = "ctr163", table: str = "count", **changes: Any) -> Outcome:
    outcome = Outcome(
        slot="A1",
        chip_serial="SP2-0001",
        board_serial="WB-01",
        design=design,
        design_title="Synchronous 4-bit counter",
        design_address=5,
        design_source="SN74LS163A datasheet, Texas Instruments SDLS060, function description",
        table=table,
        table_file=f"{design}/{table}.csv",
        table_sha256="4c" * 32,
        verdict=Verdict.PASS,
        reason=Reason.AS_EXPECTED,
        summary="All 4,120 cycles were as expected.",
        advice="",
        rows=220,
        cycles=4120,
        mismatches=0,
        pin_counts=(),
        evidence=(),
        window=None,
        attempts=(Attempt(1, 0, "5E0C91D2", 0.21, 9100, 420, 4, 0),),
        conditions=Conditions(50_000.0, 48_250.0, False, 0.0, 2),
        waiver=None,
        started=START,
        seconds=0.21,
        design_author="Wilma Dunlin",
        provisional=Reason.AS_EXPECTED,
        rules="1",
        cause="",
        floating=(),
        contention=(),
    )
    return replace(outcome, **changes)


def window(cycles: int = 17, wrong_at: int = 8, first_cycle: int = 9) -> Window:
    """A 4-bit counter with carry; bit 2 reads 0 from ``wrong_at`` on where 1 is wanted."""
    numbers = [(first_cycle + k) % 16 for k in range(cycles)]
    span = range(cycles)
    waves = [
        Wave("in4", "load_n", "1" * cycles, "1" * cycles, "." * cycles),
        Wave("in5", "en", "".join("0" if k in (4, 5) else "1" for k in span), "." * cycles,
             "." * cycles),
    ]  # fmt: skip
    for bit in range(4):
        want = "".join("H" if number >> bit & 1 else "L" for number in numbers)
        seen = ["1" if symbol == "H" else "0" for symbol in want]
        if bit == 2:
            seen = ["0" if k >= wrong_at else level for k, level in enumerate(seen)]
        waves.append(Wave(f"out{bit}", f"q[{bit}]", "." * cycles, "".join(seen), want))
    waves += [
        Wave("io0", "bus", ("01" * cycles)[: cycles // 2] + "." * (cycles - cycles // 2),
             "." * (cycles // 2) + "Z" * (cycles - cycles // 2),
             "." * (cycles // 2) + "Z" * (cycles - cycles // 2)),
        Wave("clk", "clk", "C" * cycles, "." * cycles, "." * cycles),
        Wave("nreset", "rst_n", "1" * cycles, "." * cycles, "." * cycles),
        Wave("seld", "", "." * cycles, "." * cycles, "." * cycles),
    ]  # fmt: skip
    return Window(
        cycles=tuple(range(first_cycle, first_cycle + cycles)),
        lines=tuple(12 + k // 3 for k in span),
        labels=tuple("count up" if k < 10 else "hold, then wrap to zero" for k in span),
        waves=tuple(waves),
    )


def evidence(cycles: int = 3) -> tuple[EvidenceCycle, ...]:
    wrong = (PinResult("out2", "q[2]", "H", "0"), PinResult("out4", "carry", "H", "0"))
    return tuple(
        EvidenceCycle(20 + k, 8 + k, 15 + k, k, "wrap" if k else "", wrong[: 1 + k % 2])
        for k in range(cycles)
    )


def failed(design: str = "alu181", table: str = "exhaustive", **changes: Any) -> Outcome:
    known: dict[str, Any] = {
        "design_title": "4-bit ALU and function generator",
        "verdict": Verdict.FAIL,
        "reason": Reason.CHIP_DEFECT,
        "summary": "Pin out2 (q[2]) read 0 where 1 was promised, in every run alike.",
        "advice": "Look at the cone of q[2]; compare with another chip of the lot.",
        "mismatches": 512,
        "pin_counts": (PinCount("out2", "q[2]", 512), PinCount("out4", "carry", 32)),
        "evidence": evidence(),
        "window": window(),
        "source": (SourceLine(1, "clk,load_n,q,label"), SourceLine(15, f"C,1,0x4,{'wide ' * 60}")),
        "attempts": tuple(Attempt(n, 512, "91AA03F7", 0.3, 9100, 900, 4, 0) for n in (1, 2, 3)),
    }
    return passed(design, table, **(known | changes))


def unstable() -> Outcome:
    attempts = tuple(Attempt(n, 7 * n, f"0000000{n}", 0.3) for n in (1, 2, 3))
    return failed(
        "fifo8",
        "depth",
        verdict=Verdict.UNSTABLE,
        reason=Reason.ANSWERS_DIFFER,
        summary="The chip answered differently in each of three runs.",
        advice="Run the table slower; check supply and contacts.",
        attempts=attempts,
        mismatches=14,
    )


def errored() -> Outcome:
    return passed(
        "uart8n1",
        "loopback",
        verdict=Verdict.ERROR,
        reason=Reason.LINK_LOST,
        summary="The port went away after 1,834 bytes.",
        advice="Plug the board in again and run this chip once more.",
        attempts=(),
        conditions=None,
        cycles=0,
    )


def waived() -> Outcome:
    return failed(
        "lfsr16",
        "period",
        verdict=Verdict.WAIVED,
        reason=Reason.WAIVED,
        waiver=WaiverRecord("R. Ebb", "known hold problem of this lot", "LT-42", "2027-01-31"),
    )


def not_run() -> Outcome:
    return passed(
        "aes_sbox",
        "all",
        verdict=Verdict.NOT_RUN,
        reason=Reason.RUN_STOPPED,
        summary="The run was stopped before this table.",
        attempts=(),
        conditions=None,
        cycles=0,
    )


def every_verdict() -> tuple[Outcome, ...]:
    return (passed(), failed(), unstable(), errored(), waived(), not_run())


def chip(slot: str, serial: str, *outcomes: Outcome, **changes: Any) -> ChipRecord:
    number = slot[-1]
    placed = tuple(
        replace(o, slot=slot, chip_serial=serial, board_serial=f"WB-0{number}") for o in outcomes
    )
    record = ChipRecord(
        slot=slot,
        chip_serial=serial,
        board_serial=f"WB-0{number}",
        port=f"/dev/ttyACM{number}",
        virtual=True,
        agent_version="0.1.0",
        interpreter="MicroPython 1.27.0 unix",
        backend="virtual",
        exact=False,
        trouble="",
        outcomes=placed,
    )
    return replace(record, **changes)


def silent_chip(slot: str, serial: str) -> ChipRecord:
    return chip(
        slot,
        serial,
        board_serial="",
        agent_version="",
        interpreter="",
        backend="",
        trouble="nothing came back from the board within 2 s; is it powered?",
    )


def run_of(*chips: ChipRecord, **changes: Any) -> RunRecord:
    record = RunRecord(
        run_id="2026-03-09-1405-a3f1",
        kind=RunKind.RUN,
        started=START,
        finished=START.replace(minute=7),
        tool_version="0.1.0",
        shuttle="Sandpiper 2",
        organisation="Low Tide Silicon Club",
        shuttle_file="shuttle.toml",
        shuttle_sha256="ab" * 32,
        profile="Wader",
        profile_file="wader.toml",
        profile_sha256="cd" * 32,
        rack="bench by the window",
        rack_file="demo-rack.toml",
        rack_sha256="ef" * 32,
        cancelled=False,
        chips=chips,
        causes=(),
        continuity=(),
    )
    return replace(record, **changes)


def sample_run() -> RunRecord:
    """Six slots: two good chips, one with all verdicts, an open pin, a waiver, a silent board."""
    good = (passed(), passed("alu181", "exhaustive"), passed("lfsr16", "period", cycles=65_535))
    return run_of(
        chip("A1", "SP2-0001", *good),
        chip("A2", "SP2-0002", *good),
        chip("A3", "SP2-0003", *every_verdict()),
        chip("A4", "SP2-0004", passed(), failed(reason=Reason.WIRING_NOT_PROVEN)),
        chip("A5", "SP2-0005", passed(), waived()),
        silent_chip("A6", "SP2-0006"),
    )


def long_chip(designs: int = 150) -> ChipRecord:
    outcomes = [passed(f"design{n:03}", "all vectors") for n in range(designs)]
    for n in (40, 77, 120):
        outcomes[n] = failed(f"design{n:03}", "all vectors", window=window(60, 11, 9))
    return chip("A1", "SP2-0001", *outcomes)


def hostile_run() -> RunRecord:
    """Every text field of every record holds markup, controls and half a surrogate pair."""
    run: RunRecord = poisoned(run_of(chip("A1", "SP2-0001", *every_verdict())))
    return run


def poisoned(value: Any, text: str = HOSTILE) -> Any:
    """Copy a record with hostile text added to all plain text in it, one field at a time."""
    if dataclasses.is_dataclass(value) and not isinstance(value, (type, Wave)):
        names = [field.name for field in dataclasses.fields(value)]
        return replace(value, **{name: poisoned(getattr(value, name), text) for name in names})
    if isinstance(value, Wave):
        return replace(value, pin=value.pin + text, signal=value.signal + text)
    if isinstance(value, tuple):
        return tuple(poisoned(item, text) for item in value)
    return value + text if type(value) is str else value

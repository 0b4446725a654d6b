"""What can be wrong between the tool and a chip: ports, boards, agents, disks, folders.

Nothing of it is a verdict on a chip, ends in a traceback, or costs what was stored before.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
import serial

from harness.board import greeting
from harness.cli import command_run, main, screen
from harness.cli.live import display
from harness.rack import Event, Observer, Slot, TableJudged
from harness.records import ChipRecord, Reason, Verdict
from harness.store import Store
from harness.virtual import VirtualBoardSpec, VirtualRack
from harness.virtual.faults import Unplug
from tests.racks import forked
from tests.system.test_bad_input import ROOT, Bench, Screen, bench, make_bench
from tests.system.test_virtual_board import GARBAGE, NEVER_STOPS
from tests.system.virtual import UPLOAD_BYTES

__all__ = ["bench"]

PROMPT_ADVICE = (
    "Its program may not stop on Ctrl-C, its baud rate may differ, or it may not run MicroPython: "
    "press its reset button, or install the interpreter again"
)


def spec(bench: Bench, slot: str, number: int, **changes: object) -> VirtualBoardSpec:
    shuttle, profile = bench.folder / "vectors/shuttle.toml", bench.folder / "wader.toml"
    return VirtualBoardSpec(
        slot,
        f"WB-0{number}",
        f"SP2-000{number}",
        shuttle,
        profile,
        **changes,  # type: ignore[arg-type]  # each test knows the field that it changes
    )


@contextmanager
def boards(
    bench: Bench, specs: Sequence[VirtualBoardSpec], more: str = "", patience_s: float = 0.5
) -> Iterator[list[str]]:
    """Serve boards and write a rack file that reaches them by port, as it would real ones."""
    bench.edit("wader.toml", 'backend = "generic"', 'backend = "virtual"')
    with VirtualRack(specs, launch=forked) as rack:
        ports = [rack.ports[one.slot] for one in specs]
        slots = "".join(
            f'[[slot]]\nname = "{one.slot}"\nport = "{port}"\nboard = "{one.board_serial}"\n'
            f'chip = "{one.chip_serial}"\n'
            for one, port in zip(specs, ports, strict=True)
        )
        head = 'shuttle = "vectors/shuttle.toml"\nprofile = "wader.toml"\n'
        head += f"patience_s = {patience_s}\n"
        bench.rack.write_text(head + slots + more, "utf-8")
        yield ports


def long_table(bench: Bench, count: int = 30_000) -> None:
    """Add a table that takes far more bytes than the agent's upload: rows in random order."""
    head, *rows = (bench.folder / "vectors/bcd7seg/function.csv").read_text("utf-8").splitlines()
    shuffled = random.Random(1).choices(rows, k=count)
    text = "\n".join([head, *shuffled]) + "\n"
    (bench.folder / "vectors/bcd7seg/long.csv").write_text(text, "utf-8")
    design = bench.folder / "vectors/bcd7seg/design.toml"
    added = '\n[tables.long]\nfile = "long.csv"\nclock_hz = 50_000\nreset_cycles = 0\n'
    design.write_text(design.read_text("utf-8") + added, "utf-8")


@dataclass(frozen=True)
class Aftermath:
    """What a run over bad boards left: exit code, text, and the chips as they are stored."""

    code: int
    told: str
    ports: dict[str, str]
    chips: dict[str, ChipRecord]


@pytest.fixture(scope="module")
def aftermath(tmp_path_factory: pytest.TempPathFactory) -> Aftermath:
    """One run over a good board and one board or port of each bad kind, side by side."""
    bench = make_bench(tmp_path_factory.mktemp("boards"))
    long_table(bench)
    specs = [
        spec(bench, "good", 1),
        spec(bench, "silent", 2, program=NEVER_STOPS.format(body="pass")),
        spec(bench, "busy", 3, program=NEVER_STOPS.format(body="print('busy')")),
        spec(bench, "garbage", 4, program=NEVER_STOPS.format(body=GARBAGE)),
        spec(bench, "memory", 5, heap=40_000),
        spec(bench, "unplugged", 6, link_faults=(Unplug(UPLOAD_BYTES + 12_000),)),
        spec(bench, "taken", 7),
        spec(bench, "other", 8),
    ]
    missing = '[[slot]]\nname = "missing"\nport = "/dev/ttyNONE9"\nchip = "SP2-0009"\n'
    missing += "patience_s = 0\n"
    console = bench.folder / "told.txt"
    with boards(bench, specs, missing) as ports, serial.Serial(ports[6], exclusive=True):
        bench.edit("rack.toml", '"WB-08"', '"WB-80"')
        with console.open("w", encoding="utf-8") as out, pytest.MonkeyPatch.context() as patch:
            patch.setattr(command_run, "console", lambda: screen.Screen(file=out, soft_wrap=True))
            code = bench.run()
    with Store.existing(bench.store) as store:
        chips = {chip.slot: chip for chip in store.latest_run().chips}
    slots = {one.slot: port for one, port in zip(specs, ports, strict=True)}
    return Aftermath(code, console.read_text("utf-8"), slots | {"missing": "/dev/ttyNONE9"}, chips)


def test_bad_boards_do_not_keep_a_good_one_from_its_verdict(aftermath: Aftermath) -> None:
    assert aftermath.chips["good"].verdict is Verdict.PASS
    assert aftermath.code == 3
    others = [chip for slot, chip in aftermath.chips.items() if slot != "good"]
    assert {chip.verdict for chip in others} == {Verdict.ERROR}
    assert {len(chip.outcomes) for chip in aftermath.chips.values()} == {2}


@pytest.mark.parametrize(
    ("slot", "trouble"),
    [
        (
            "silent",
            (
                "the board sends nothing; check power and cable, press its reset button, "
                "and check that it runs MicroPython; or name a command in the rack file that "
                'switches it off and on ("power_cycle")'
            ),
        ),
        ("busy", f"the board does not show its interpreter's prompt; it sent *. {PROMPT_ADVICE}"),
        (
            "garbage",
            f"the board does not show its interpreter's prompt; it sent *. {PROMPT_ADVICE}",
        ),
        (
            "memory",
            (
                "the board's interpreter ran out of memory (*); reset the board, and take large "
                "modules out of its boot program"
            ),
        ),
        (
            "taken",
            "the port is in use by another program; close that program and run again",
        ),
        (
            "other",
            (
                "the board reports WB-08, the rack file says WB-80; plug in the right board "
                "or correct the rack file"
            ),
        ),
        (
            "missing",
            (
                "there is no such port; is the board plugged in? 'harness ports' lists the "
                "ports of this computer"
            ),
        ),
    ],
)
def test_a_slot_that_cannot_be_used_says_where_what_and_what_to_do(
    aftermath: Aftermath, slot: str, trouble: str
) -> None:
    chip = aftermath.chips[slot]
    before, _, after = f"slot {slot}, port {aftermath.ports[slot]}: {trouble}".partition("*")
    assert chip.trouble.startswith(before)
    assert chip.trouble.endswith(after)
    why = chip.trouble.removeprefix(f"slot {slot}, ")
    line = f"{slot} ({chip.chip_serial}): the board cannot be used: {why}\n"
    assert line in aftermath.told
    assert {outcome.verdict for outcome in chip.outcomes} == {Verdict.NOT_RUN}


def test_a_board_unplugged_in_mid_burst_keeps_the_table_before(aftermath: Aftermath) -> None:
    chip = aftermath.chips["unplugged"]
    before, cut = chip.outcomes
    assert chip.trouble.startswith(f"slot unplugged, port {aftermath.ports['unplugged']}: ")
    assert before.verdict is Verdict.PASS
    assert (cut.verdict, cut.reason) == (Verdict.ERROR, Reason.LINK_LOST)
    port = aftermath.ports["unplugged"]
    assert cut.summary.startswith(f"Could not be tested: {port}: the board went away; ")
    assert "; check the cable and plug it in again. It did not come back: " in cut.summary
    assert "says nothing about the chip" in cut.advice


def test_an_agent_of_another_version_is_refused(
    bench: Bench, capsys: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting, "AGENT", "9.9")
    with boards(bench, [spec(bench, "A1", 1)]) as (port,):
        assert bench.run() == 3
    assert (
        f"A1 (SP2-0001): the board cannot be used: port {port}: "
        "agent 1.1 with protocol 3 answers, but this tool uses "
        "agent 9.9 with protocol 3; reset the board and run again\n"
    ) in capsys.readouterr().out


@contextmanager
def small_disk(size: str) -> Iterator[Path]:
    """A file system of its own with little room.

    It is mounted outside pytest's own folders: a test run that is killed here leaves it mounted,
    and the next run, which tidies those folders up, ended with an error.
    """
    with tempfile.TemporaryDirectory(prefix="small-disk-") as folder:
        command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder]
        try:
            mounted = subprocess.run(command, check=False, capture_output=True).returncode == 0
        except OSError:
            mounted = False
        if not mounted:
            pytest.skip("a small file system can only be mounted by root")
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", "-l", folder], check=True)


def fill_up(folder: Path) -> None:
    """Leave not a byte of room."""
    with suppress(OSError), (folder / "filler").open("wb", buffering=0) as filler:
        while True:
            filler.write(bytes(4096))
    assert shutil.disk_usage(folder).free == 0


def test_a_disk_that_fills_up_in_mid_run_loses_no_outcome_and_passes_no_chip(
    bench: Bench, capsys: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    long_table(bench)
    with small_disk("2m") as disk:
        store = disk / "results.sqlite"

        @contextmanager
        def filling(shown_on: screen.Screen, slots: Sequence[Slot]) -> Iterator[Observer]:
            with display(shown_on, slots) as observe:

                def watch(event: Event) -> None:
                    observe(event)
                    if isinstance(event, TableJudged):
                        fill_up(disk)

                yield watch

        monkeypatch.setattr(command_run, "display", filling)
        assert bench.run("--store", str(store)) == 3
        told = capsys.readouterr().err
        (disk / "filler").unlink()
        assert main(["report", "--store", str(store), "--out", str(bench.folder / "out")]) == 3
        with Store.existing(store) as kept:
            record = kept.latest_run()
    assert told == (
        f"harness: {store}: results cannot be kept or read (database or disk is full); free some "
        "space there; what was stored before is safe; results already reported are kept, and "
        f"--resume {record.run_id} finishes this run\n"
    )
    (chip,) = record.chips
    assert [outcome.verdict for outcome in chip.outcomes] == [Verdict.PASS, Verdict.NOT_RUN]
    assert chip.verdict is Verdict.NOT_RUN
    assert chip.outcomes[1].summary == "Not run: the run broke off before this table"
    assert chip.outcomes[1].reason is Reason.RUN_BROKE_OFF


@pytest.mark.parametrize("size", ["4k", "60k"])
def test_a_disk_too_full_to_begin_is_said_to_be_full_before_a_board_is_touched(
    bench: Bench, capsys: Screen, size: str
) -> None:
    with small_disk(size) as disk:
        assert bench.run("--store", str(disk / "results.sqlite")) == 3
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err == (
        f"harness: {disk}/results.sqlite: results cannot be kept or read (database or disk is "
        "full); free some space there; what was stored before is safe\n"
    )


def test_reports_that_do_not_fit_leave_the_results_to_report_again(
    bench: Bench, capsys: Screen
) -> None:
    with small_disk("8k") as disk:
        assert bench.run("--out", str(disk)) == 3
        told = capsys.readouterr().err
    assert told.startswith(f"harness: {disk}/")
    assert told.endswith("the disk is full; make room and write the reports again\n")
    kept = ("--store", str(bench.store), "--out", str(bench.folder / "out"))
    assert main(["report", *kept]) == 0


AS_NOBODY = """\
import contextlib, os, sys
from harness.cli import main
import harness
from harness.rack import Station, read_jobs
from harness.rehearse import predict
reach = Station._within
Station._within = lambda self, slot, seconds: reach(self, slot, 0.0)
warm = "run --port /dev/ttyNONE9 --chip SP2-0001"
warm += " --shuttle vectors/shuttle.toml --profile wader.toml"
with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere):
    main([*warm.split(), "--store", "warm.sqlite", "--out", "warm"])
shuttle = harness.load_shuttle("vectors/shuttle.toml")
tables = [(design, spec) for design in shuttle.designs for spec in design.tables]
jobs, _ = read_jobs(shuttle, tables)
predict(shuttle, [job[:3] for job in jobs])  # not from the cache, which nobody may read
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    open(sys.argv[1]).close()
except OSError:
    sys.exit(77)
sys.exit(main(sys.argv[2:]))
"""
"""Loads what a run needs from folders closed to other users, then becomes the user nobody."""


def as_nobody(bench: Bench, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command as a user who may use next to nothing."""
    if os.geteuid() != 0:
        pytest.skip("only root can become another user")
    bench.folder.chmod(0o755)
    needed = str(ROOT / "harness/errors.py")
    command = [sys.executable, "-c", AS_NOBODY, needed, *arguments]
    done = subprocess.run(command, check=False, capture_output=True, text=True, cwd=bench.folder)
    if done.returncode == 77:
        pytest.skip("another user may not read the tool here")
    assert "Traceback" not in done.stdout + done.stderr
    return done


@pytest.fixture
def open_bench() -> Iterator[Bench]:
    """A bench whose folder another user may read."""
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        yield make_bench(Path(folder))


def test_a_port_that_is_not_permitted_names_the_group_that_may(open_bench: Bench) -> None:
    ours, theirs = os.openpty()
    port = os.ttyname(theirs)
    os.chown(port, 0, 0)
    os.chmod(port, 0o660)  # noqa: PTH101 - a device, named by the system
    open_bench.rack.write_text(
        open_bench.rack.read_text("utf-8").replace('"virtual"', f'"{port}"'), "utf-8"
    )
    writable = open_bench.folder / "writable"
    writable.mkdir(mode=0o777)
    writable.chmod(0o777)
    done = as_nobody(open_bench, "run", str(open_bench.rack), "--store", "writable/s.sqlite",
                     "--out", "writable/out")  # fmt: skip
    os.close(ours)
    os.close(theirs)
    assert done.returncode == 3
    assert (
        f"A1 (SP2-0001): the board cannot be used: port {port}: "
        "you may not use this port; it belongs to group 'root': "
        "ask to be added to it, then log in again\n"
    ) in done.stdout


def test_a_folder_that_is_not_writable_is_named_before_a_board_is_touched(
    open_bench: Bench,
) -> None:
    done = as_nobody(open_bench, "run", str(open_bench.rack), "--store", "new/s.sqlite")
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == (
        "harness: new/s.sqlite: results cannot be kept or read ([Errno 13] Permission denied: "
        "'new'); allow writing to the folder, or choose another store\n"
    )

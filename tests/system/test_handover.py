"""A board that works without a computer: the real interpreter, over power-ups, with its own files.

The board's files are a folder of this computer. A chip model is behind its pins, and tells what was
selected and how often it was clocked.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.board import MAIN, named_handover, session, startup
from harness.cli import main
from harness.errors import BoardLost
from harness.jobs import handover as job
from harness.link import BoardFiles
from harness.store import Store, of_chip
from harness.virtual import VirtualBoardSpec
from tests.system.files_board import FilesBoard, files_board
from tests.unit.agent.micropython import needs_micropython

ROOT = Path(__file__).parents[2]
pytestmark = [needs_micropython, pytest.mark.slow]

OWN = b"import time\nwhile True:\n    print('own program')\n    time.sleep_ms(20)\n"


@dataclass(frozen=True)
class Desk:
    """A board at a port, in slot A1 of a rack file."""

    folder: Path
    board: FilesBoard

    @property
    def rack(self) -> Path:
        return self.folder / "rack.toml"

    @property
    def program(self) -> bytes:
        return (self.board.folder / MAIN).read_bytes()

    def names(self) -> list[str]:
        return sorted(path.name for path in self.board.folder.iterdir())

    def running(self) -> list[str]:
        """The designs that were clocked since the chip got its power, once one is clocked on."""
        for _ in range(100):
            chip = self.board.chip
            before = chip._cycle
            time.sleep(0.05)
            if chip._cycle > before + 1000:
                return list(chip._running)
        return []


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("desk")
    profile = (ROOT / "ci/wader.toml").read_text("utf-8")
    (folder / "board.toml").write_text(profile.replace('"generic"', '"virtual"'), "utf-8")
    shuttle = ROOT / "vectors/shuttle.toml"
    spec = VirtualBoardSpec("A1", "WB-01", "SP2-0001", shuttle, folder / "board.toml")
    flash = folder / "flash"
    flash.mkdir()
    (flash / MAIN).write_bytes(OWN)
    with files_board(spec, flash) as board:
        (folder / "rack.toml").write_text(
            f'shuttle = "{shuttle}"\nprofile = "board.toml"\npatience_s = 2\n'
            f'[[slot]]\nname = "A1"\nport = "{board.port}"\nboard = "WB-01"\nchip = "SP2-0001"\n',
            "utf-8",
        )
        yield Desk(folder, board)


@pytest.fixture(autouse=True)
def here(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(desk.folder)


WISH = ("--design", "ctr163", "--rate", "5000", "--set", "load_n=1", "--set", "enp=1")


def handover(*options: str) -> int:
    return main(["handover", "A1", *options])


def test_a_board_starts_its_design_at_power_up_and_after_each_run_until_that_is_undone(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert handover(*WISH, "--set", "ent=1", "--reason", "a trial") == 0
    said = capsys.readouterr().out
    with Store("runs/harness.sqlite") as store:
        (record,) = store.handovers()
        assert store.history(of_chip("SP2-0001")).handovers == (record,)
    rate = f"{record.achieved_hz / 1000:.4g} kHz"
    assert said == (
        f"Board WB-01 starts ctr163 by itself at power-up; clock {rate}, paced by software; "
        f"inputs held: load_n=1, enp=1, ent=1; handed over on {record.begun:%Y-%m-%d}, for this "
        "reason: a trial.\n"
        "Its own main.py (71 bytes) is kept in the store.\n"
        "Label for the board: runs/handovers/SP2-0001-power-up.html; a card that was made earlier "
        "does not say so.\n"
        "`harness handover A1 --undo` restores what was there.\n"
        "The controller drives the chip's inputs as soon as it has power: connect nothing else to "
        "one,\nunless it was released (--set NAME=F).\n"
        "Unplug the board before you touch chip, board or wires, and wear a grounded wrist strap.\n"
        "Power it from a supply with a current limit.\n"
    )
    label = Path("runs/handovers/SP2-0001-power-up.html")
    assert f"Board WB-01 starts ctr163 by itself at power-up; clock {rate}" in label.read_text()
    assert (record.program, record.undone, record.reason) == (OWN, None, "a trial")
    assert record.finished is not None
    assert desk.names() == [record.folder, MAIN]
    assert "ctr163" in desk.running()

    desk.board.power_off()
    desk.board.power_on()
    assert "ctr163" in desk.running(), "it starts after power-up, with a new chip"

    assert main(["run", "rack.toml", "--designs", "gray"]) == 0
    desk.board.chip._running.clear()
    assert desk.running() == ["ctr163"], "a run leaves the board running its design again"

    capsys.readouterr()
    assert handover("--undo") == 0
    assert capsys.readouterr().out == (
        "Board WB-01 has its own main.py again (71 bytes), and no longer starts ctr163.\n"
        "Its label, or a card that says otherwise, no longer holds.\n"
    )
    assert not label.exists()
    assert desk.names() == [MAIN]
    assert desk.program == OWN
    with Store("runs/harness.sqlite") as store:
        assert store.history(of_chip("SP2-0001")).handovers == ()
    assert handover("--undo") == 2
    assert capsys.readouterr().err == (
        "harness: runs/harness.sqlite: board WB-01 was not handed over, or it is undone already\n"
    )


@pytest.mark.nightly
def test_a_board_that_does_not_start_the_design_gets_its_own_program_back(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = "raise ValueError('flash is worn out')\n"
    monkeypatch.setattr(startup, "PROGRAM", f"# {{folder}} {{data}}\n{broken}")
    monkeypatch.setattr(job, "START_SECONDS", 2.0)
    assert handover(*WISH, "--reason", "a trial") == 3
    with Store("runs/harness.sqlite") as store:
        record = store.handovers()[-1]
    assert capsys.readouterr().err == (
        f"harness: the board did not start ctr163 from {record.folder} (it said 'ValueError: flash "
        "is worn out'), so its own program is back; if it has a boot.py, that may be in the way\n"
    )
    assert desk.names() == [MAIN]
    assert desk.program == OWN
    assert record.undone


@pytest.mark.nightly
def test_a_program_that_came_after_the_handover_is_left_alone(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert handover(*WISH, "--reason", "a trial") == 0
    later = OWN.replace(b"own", b"later")
    (desk.board.folder / MAIN).write_bytes(later)
    capsys.readouterr()
    assert handover("--undo") == 2
    assert capsys.readouterr().err == (
        "harness: runs/harness.sqlite: main.py on board WB-01 is not the one that was handed "
        "over, and was left alone; hand the board over again to keep it and replace it\n"
    )
    assert desk.program == later
    assert handover(*WISH, "--reason", "a trial") == 0
    assert handover("--undo") == 0
    assert desk.program == later
    assert desk.names() == [MAIN]
    (desk.board.folder / MAIN).write_bytes(OWN)


class PowerFails(BoardFiles):
    """A board that loses its power before one of the host's requests."""

    left = 0
    board: FilesBoard

    def _answer(self, request: Sequence[object]) -> str:
        type(self).left -= 1
        if self.left == 0:
            self.board.power_off()
            raise BoardLost("the power failed", "port")
        return super()._answer(request)


@pytest.mark.nightly
@pytest.mark.parametrize("requests", range(1, 17))
def test_a_handover_that_is_cut_leaves_a_board_that_starts_the_old_program_or_the_design(
    desk: Desk, requests: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a new start of the real interpreter; ``test_startup`` cuts at each write to flash."""
    PowerFails.board, PowerFails.left = desk.board, requests
    monkeypatch.setattr(session, "BoardFiles", PowerFails)
    assert handover(*WISH, "--reason", "a trial") == 3
    assert PowerFails.left <= 0
    PowerFails.left = 0
    desk.board.power_on()
    if desk.program == OWN:
        assert desk.running() == []
    else:
        assert named_handover(desk.program)
        assert desk.running()[-1:] == ["ctr163"]
    undone = handover("--undo")
    assert undone == 0 or requests < 5, "before anything was written there is nothing to undo"
    assert desk.program == OWN
    assert desk.names() == [MAIN]


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (("--design", "ctr164"), 'no design "ctr164"'),
        ((), "--design is missing: the design that the board starts"),
        ((*WISH, "--undo"), "--design does not go with --undo"),
        (("--undo", "--set", "enp=1"), "--set does not go with --undo"),
        (("--design", "ctr163", "--set", "enp"), '--set "enp": write NAME=VALUE, such as en=1'),
        (("--design", "ctr163", "--set", "enp=2"), "enp"),
        (("--design", "ctr163", "--set", "clk=C"), "a level is held, and C and K are pulses"),
        (("--design", "ctr163", "--rate", "0"), "a rate of 0 Hz; Wader can clock at 0.25 to"),
        (("--design", "ctr163", "--rate", "nan"), "a rate of nan Hz"),
    ],
)
def test_what_cannot_be_is_refused_before_the_board_is_opened(
    options: tuple[str, ...], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert handover(*options) == 2
    assert complaint in capsys.readouterr().err


def test_a_virtual_slot_has_no_flash(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    assert handover(*WISH, "--rack", str(ROOT / "ci/demo-rack.toml")) == 2
    assert "slot A1 is virtual, and a virtual board has no flash" in capsys.readouterr().err

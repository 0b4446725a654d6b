"""What may be handed over without a reason: what passed on this chip, at no more than its rate."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from sqlalchemy import create_engine, event, text

import harness
from harness.agent import protocol
from harness.agent.backends import backend
from harness.board import MAIN, STARTED, Session, Startup, load_profile
from harness.board.startup import make_startup
from harness.errors import BoardLost, PortUnavailable, RunUnfit, StoreError
from harness.jobs import handover as job
from harness.jobs.handover import LABELS, HandedOver, _labelled
from harness.link import BoardFiles, Command
from harness.rack import Locks, Rack, Slot
from harness.records import latest_of_boards
from harness.shuttle import Design
from harness.store import Store
from harness.table import Pattern
from tests.unit.link.local_repl import LocalRepl
from tests.unit.store.nights import keep_nights
from tests.unit.store.test_handovers import HANDED, later

ROOT = Path(__file__).parents[3]
TWOFOLD = "bcd7seg"
GONE = Slot("A1", "/dev/ttyNONE9", "WB-01", "PK-01", patience_s=0)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Nights of a chip; no test adds to them."""
    with Store(tmp_path_factory.mktemp("store") / "s.sqlite") as opened:
        keep_nights(
            opened,
            {"gray": "FP", "ctr163": "PF", "crc16": "PE", "uart": "PW", "lfsr": "P", "alu181": "f"}
            | {"bcd7seg": "P"},
        )
        yield opened


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        yield opened


@pytest.fixture(scope="module")
def rack() -> Rack:
    """Each design has the table that the nights have; one has another, which no night has."""
    shuttle = harness.load_shuttle(ROOT / "vectors/shuttle.toml")
    designs = tuple(
        replace(
            one, tables=(replace(one.tables[0], name="all"), *one.tables[: one.name == TWOFOLD])
        )
        for one in shuttle.designs
    )
    shuttle = replace(shuttle, designs=designs)
    return Rack("bench", shuttle, load_profile(ROOT / "ci/wader.toml", shuttle), (GONE,))


@pytest.mark.parametrize(
    ("design", "rate", "against"),
    [
        ("ctr163", None, "ctr163 did not pass on PK-01 (ctr163/all FAIL)"),
        ("crc16", None, "crc16 did not pass on PK-01 (crc16/all ERROR)"),
        ("uart", None, "uart did not pass on PK-01 (uart/all WAIVED)"),
        ("alu181", None, "no table of alu181 was judged on PK-01 yet"),
        ("cmp85", None, "no table of cmp85 was judged on PK-01 yet"),
        ("bcd7seg", None, "bcd7seg did not pass on PK-01 (bcd7seg/function not judged)"),
        ("gray", 60_000.0, "no table of gray runs at 60,000 Hz, only at 50,000 Hz"),
    ],
)
def test_what_did_not_pass_on_this_chip_needs_a_reason(
    design: str, rate: float | None, against: str, store: Store, rack: Rack
) -> None:
    with pytest.raises(RunUnfit) as caught:
        harness.hand_over(rack, "A1", design, rate, store=store)
    assert str(caught.value) == (
        f"{store.place}: {against}; give a reason to hand it over all the same"
    )
    with pytest.raises(PortUnavailable):
        harness.hand_over(rack, "A1", design, rate, reason="only to look at", store=store)
    assert store.handovers() == (), "nothing is kept of a board that was not reached"


@pytest.mark.parametrize("design", ["gray", "lfsr"])
def test_what_passed_last_goes_to_the_board(design: str, store: Store, rack: Rack) -> None:
    with pytest.raises(PortUnavailable, match="there is no such port"):
        harness.hand_over(rack, "", design, store=store)


def test_a_level_for_what_is_no_input_is_refused(store: Store, rack: Rack) -> None:
    with pytest.raises(ValueError, match="has no signal"):
        harness.hand_over(rack, "A1", "gray", levels={"e": 1}, store=store)
    with pytest.raises(ValueError, match="a level is held, and C and K are pulses; write 0, 1"):
        harness.hand_over(rack, "A1", "gray", levels={"en": "C"}, store=store)


def test_a_board_that_goes_on_to_another_chip_takes_its_label_along(
    fresh: Store, tmp_path: Path
) -> None:
    labels = []
    for record in (HANDED, later(1, chip_serial="SP2-0007")):
        fresh.record_handover(record)
        labels.append(_labelled(record.chip_serial, fresh, tmp_path))
    assert [one.exists() for one in labels if one] == [False, True]


OWN, OTHER = b"print('own program')", b"print('program of another board')"


@dataclass
class Desk:
    """Boards with files of their own, each a folder; what a session does to pins is left out."""

    folder: Path
    rack: Rack
    store: Store
    patch: pytest.MonkeyPatch

    def flash(self, board: str) -> Path:
        place = self.folder / board
        place.mkdir(exist_ok=True)
        return place

    def program(self, board: str) -> bytes:
        return (self.flash(board) / MAIN).read_bytes()

    def session(self, board: str) -> Session:
        self.patch.chdir(self.flash(board))
        capture = SimpleNamespace(achieved_hz=990.0, exact=False)
        return cast(
            "Session",
            SimpleNamespace(
                select=lambda _design: None,
                run=lambda _pattern, _conditions: capture,
                startup=self.startup,
                files=lambda: BoardFiles(LocalRepl()),
                own_program=lambda _until, _seconds: STARTED,
            ),
        )

    @staticmethod
    def startup(design: Design, _held: Pattern, _conditions: object, key: str) -> Startup:
        bind = Command(protocol.BIND, bytes([design.address]))
        return make_startup(backend("generic"), [bind], Command(protocol.BLOCK, b""), key)

    def hand_over(self, board: str, design: str = "gray", serial: str = "WB-01") -> HandedOver:
        wish = job._wish(self.rack, self.rack.slots[0], design, None, {}, "a trial", self.store)
        return job._handed(self.session(board), self.rack, serial, wish, self.store)

    def take_back(self, board: str, serial: str = "WB-01") -> HandedOver:
        return job._undone(self.session(board), serial, self.store)


@pytest.fixture
def desk(fresh: Store, rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    desk = Desk(tmp_path, rack, fresh, monkeypatch)
    (desk.flash("x") / MAIN).write_bytes(OWN)
    (desk.flash("y") / MAIN).write_bytes(OTHER)
    return desk


def cut(desk: Desk, monkeypatch: pytest.MonkeyPatch, design: str) -> None:
    """Begin a handover of board x whose power fails before its ``main.py`` changes."""
    with monkeypatch.context() as patch:
        patch.setattr(job, "put_startup", raise_lost)
        with pytest.raises(BoardLost):
            desk.hand_over("x", design)


def raise_lost(*_: object) -> None:
    raise BoardLost("the power failed", "port")


def test_each_of_two_boards_with_one_serial_number_gets_its_own_program_back(desk: Desk) -> None:
    first = desk.hand_over("x")
    second = desk.hand_over("y")
    assert (first.displaced, second.displaced) == (None, first.record)
    for board, own, handed in (("x", OWN, first), ("y", OTHER, second)):
        assert desk.take_back(board).record.handover_id == handed.record.handover_id
        assert desk.program(board) == own
    assert latest_of_boards(desk.store.handovers()) == ()


def test_a_board_that_is_handed_over_again_displaces_no_other(desk: Desk) -> None:
    desk.hand_over("x")
    again = desk.hand_over("x", "ctr163")
    assert (again.displaced, again.record.program) == (None, OWN)
    desk.take_back("x")
    assert desk.program("x") == OWN
    assert latest_of_boards(desk.store.handovers()) == ()


def test_the_boards_own_program_is_kept_through_handovers_that_were_cut_short(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board still starts the first design, and the store has begun a second handover."""
    desk.hand_over("x")
    cut(desk, monkeypatch, "ctr163")
    assert desk.hand_over("x", "lfsr").record.program == OWN
    cut(desk, monkeypatch, "ctr163")
    desk.take_back("x")
    assert desk.program("x") == OWN
    assert latest_of_boards(desk.store.handovers()) == (), "the one that was cut is over too"


def test_a_store_that_does_not_know_a_handover_says_so_and_loses_nothing(
    desk: Desk, tmp_path: Path
) -> None:
    desk.hand_over("x")
    with Store(tmp_path / "another.sqlite") as other:
        elsewhere = replace(desk, store=other)
        with pytest.raises(RunUnfit) as caught:
            elsewhere.take_back("x")
        assert str(caught.value) == (
            f"{other.place}: board WB-01 was handed over, but not with this store; name the one in "
            "which its own program is kept"
        )
        started = desk.program("x")
        assert elsewhere.hand_over("x", "ctr163").record.program == started
        elsewhere.take_back("x")
    assert desk.program("x") == started
    desk.take_back("x")
    assert desk.program("x") == OWN


def test_a_full_disk_while_the_own_program_is_kept_leaves_the_board_as_it_was(desk: Desk) -> None:
    """SQLite's own limit of pages stands in for the disk: it gives the same SQLITE_FULL."""
    desk.store._engine.dispose()
    event.listen(
        desk.store._engine,
        "connect",
        lambda connection, _: connection.execute("PRAGMA max_page_count=1"),
    )
    own = OWN * 2000
    (desk.flash("x") / MAIN).write_bytes(own)
    with pytest.raises(StoreError, match=r"disk is full.*free some space"):
        desk.hand_over("x")
    assert desk.program("x") == own
    assert [path.name for path in desk.flash("x").iterdir()] == [MAIN]


def test_a_label_that_cannot_be_written_hides_nothing_of_what_was_done(
    fresh: Store, rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh.record_handover(HANDED)
    monkeypatch.setattr(job, "_at_board", lambda *_: HandedOver(HANDED))
    (tmp_path / LABELS).write_bytes(b"a file, where the folder should be")
    done = harness.hand_over(rack, "A1", "gray", reason="a trial", store=fresh, out=tmp_path)
    assert (done.record, done.label) == (HANDED, None)
    assert done.trouble.startswith(f"{tmp_path / LABELS}: reports cannot be written (SP2-0001-")


def test_what_happened_to_the_board_is_not_hidden_by_a_label(
    fresh: Store, rack: Rack, tmp_path: Path
) -> None:
    (tmp_path / LABELS).write_bytes(b"a file, where the folder should be")
    fresh.record_handover(replace(HANDED, chip_serial=GONE.chip))
    with pytest.raises(PortUnavailable):
        harness.hand_over(rack, "A1", "gray", reason="a trial", store=fresh, out=tmp_path)


def test_a_slot_that_a_run_holds_is_left_alone(fresh: Store, rack: Rack, tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.touch()
    held = replace(rack, slots=(replace(GONE, port=str(port)),))
    with Locks("run r1 of bench") as locks:
        locks.take(str(port))
        with pytest.raises(PortUnavailable) as caught:
            harness.hand_over(held, "A1", "gray", reason="a trial", store=fresh, out=tmp_path)
    assert str(caught.value).startswith(
        f"{port} is in use by run r1 of bench, process {os.getpid()}, since "
    )
    assert fresh.handovers() == ()


def test_a_damaged_record_costs_no_board_its_program(desk: Desk, tmp_path: Path) -> None:
    desk.hand_over("x")
    with create_engine(f"sqlite:///{tmp_path / 's.sqlite'}").begin() as raw:
        raw.execute(text("UPDATE handovers SET body = '{}'"))
    started = desk.program("x")
    with pytest.raises(RunUnfit, match=r"the record of this handover is damaged \(.*\); restore"):
        desk.take_back("x")
    assert desk.program("x") == started
    assert desk.hand_over("x", "ctr163").record.program == started
    desk.take_back("x")
    assert desk.program("x") == started

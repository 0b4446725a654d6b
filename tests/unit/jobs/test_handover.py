"""What may be handed over without a reason: what passed on this chip, at no more than its rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from sqlalchemy import create_engine, text

import harness
from harness.agent import protocol
from harness.agent.backends import backend
from harness.board import MAIN, Session, bring_back, load_profile, put_startup
from harness.board.startup import make_startup
from harness.errors import PortUnavailable, RunUnfit
from harness.jobs.handover import _labelled, _own_program, _undone
from harness.link import BoardFiles, Command
from harness.rack import Rack, Slot
from harness.records import kept_program
from harness.store import Store
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


OWN = b"print('own program')"
COMMANDS = Command(protocol.BIND, b"\x01"), Command(protocol.BIND, b"\x02")
ONE, TWO = (
    make_startup(backend("generic"), [one], Command(protocol.BLOCK, b"")) for one in COMMANDS
)


def test_the_boards_own_program_is_kept_through_handovers_that_were_cut_short(
    fresh: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board still starts the first design, and the store has begun a second handover."""
    first = replace(HANDED, folder=ONE.folder, before=kept_program(OWN))
    cut = replace(later(1), folder=TWO.folder, before=kept_program(OWN), finished=None)
    for record in (first, cut):
        fresh.record_handover(record)
    (tmp_path / "flash").mkdir()
    monkeypatch.chdir(tmp_path / "flash")
    files = BoardFiles(LocalRepl())
    put_startup(files, ONE, OWN)
    assert _own_program(files, "WB-01", fresh) == OWN
    assert _own_program(files, "WB-02", fresh) == ONE.main, "of another board nothing is known"
    bring_back(files, OWN)
    assert _own_program(files, "WB-01", fresh) == OWN


def test_a_damaged_record_costs_no_board_its_program(
    fresh: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh.record_handover(HANDED)
    with create_engine(f"sqlite:///{tmp_path / 's.sqlite'}").begin() as raw:
        raw.execute(text("UPDATE handovers SET body = '{}'"))
    (tmp_path / "flash").mkdir()
    monkeypatch.chdir(tmp_path / "flash")
    files = BoardFiles(LocalRepl())
    files.write(MAIN, OWN)
    assert _own_program(files, "WB-01", fresh) == OWN
    session = cast("Session", SimpleNamespace(files=lambda: files))
    with pytest.raises(RunUnfit, match=r"the record of this handover is damaged \(.*\); restore"):
        _undone(session, "WB-01", fresh)
    assert files.read(MAIN) == OWN

"""Five different faults in one rack: each is found, and exchanging chips settles whose it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pytest

from harness.intake import load_plan
from harness.records import Reason, RunRecord, Verdict
from harness.store import Store
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.faults import DeadPad, NetStuck, OpenPin, ShortedPins, SwappedPins
from tests.system.direct_rack import direct_opener, direct_rack, run_directly

BOARDS: Mapping[str, Sequence[BoardFault]] = {
    "A1": [OpenPin("in3")],
    "A3": [ShortedPins("out2", "out3")],
    "A5": [SwappedPins("in1", "in2")],
}
CHIPS: Mapping[str, Sequence[ChipDefect]] = {
    "SP2-0002": [NetStuck("crc16", "rem[9]", 1)],
    "SP2-0004": [DeadPad("in6")],
}
EXCHANGED = ("SP2-0006", "SP2-0004", "SP2-0005", "SP2-0002", "SP2-0003", "SP2-0001")
"""A1 with A6, A2 with A4, A3 with A5."""
AGAIN = ("SP2-0004", "SP2-0003", "SP2-0006", "SP2-0005", "SP2-0002", "SP2-0001")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[RunRecord]]:
    """Three runs: as found, after the first exchanges, and after more."""
    tables, opener = load_plan(direct_rack()).tables, direct_opener(BOARDS, CHIPS)
    with Store(tmp_path_factory.mktemp("five") / "s.sqlite") as store:
        yield [
            run_directly(direct_rack(6, chips), store, tables, opener)
            for chips in ((), EXCHANGED, AGAIN)
        ]


def verdicts(run: RunRecord) -> dict[str, tuple[Verdict, set[Reason]]]:
    """Each chip's verdict, and the reasons of what did not pass."""
    return {
        chip.chip_serial: (
            chip.verdict,
            {outcome.reason for outcome in chip.outcomes} - {Reason.AS_EXPECTED},
        )
        for chip in run.chips
    }


def summaries(run: RunRecord) -> dict[str, str]:
    return {cause.slots[0]: cause.summary for cause in run.causes}


OPEN = Verdict.ERROR, {Reason.WIRING_OPEN}
BOARD = Verdict.ERROR, {Reason.BOARD_SUSPECTED}
BAD = Verdict.FAIL, {Reason.CHIP_DEFECT}
FOLLOWED = Verdict.FAIL, {Reason.FOLLOWS_CHIP}
GOOD: tuple[Verdict, set[Reason]] = (Verdict.PASS, set())


def test_each_fault_is_found_and_no_good_chip_is_accused(runs: list[RunRecord]) -> None:
    first = runs[0]
    assert verdicts(first) == {
        "SP2-0001": OPEN,
        "SP2-0002": BAD,
        "SP2-0003": BOARD,
        "SP2-0004": OPEN,
        "SP2-0005": BOARD,
        "SP2-0006": GOOD,
    }
    said = summaries(first)
    assert said["A1"].startswith("A1 (SP2-0001): in3 does not reach the chip")
    assert said["A2"].startswith("A2 (SP2-0002): this chip has a defect in crc16")
    assert said["A3"].startswith("A3 (SP2-0003): out2 and out3 are shorted")
    assert said["A4"].startswith("A4 (SP2-0004): in6 does not reach the chip")
    assert said["A5"].startswith("A5 (SP2-0005): in1 and in2 are exchanged")


def test_a_contact_or_a_pad_is_told_by_a_swap_with_a_good_slot(runs: list[RunRecord]) -> None:
    asked = {cause.slots[0]: cause for cause in runs[0].causes if cause.swap}
    assert {slot: cause.swap for slot, cause in asked.items()} == {"A1": "A6", "A4": "A6"}
    assert all(len(cause.ask) >= 2 for cause in asked.values())


def test_what_belongs_to_a_board_stays_and_what_belongs_to_a_chip_moves(
    runs: list[RunRecord],
) -> None:
    first, second = runs[:2]
    found = verdicts(second)
    assert found["SP2-0001"] == GOOD
    assert found["SP2-0002"] == FOLLOWED
    assert found["SP2-0004"] == FOLLOWED, "a dead pad was an open contact until it moved"
    said = summaries(second)
    assert said["A2"].startswith("A2 (SP2-0004): the chip's pad in6 is dead (odds ")
    assert said["A2"].endswith(
        f" This chip failed alike in slot A4 in run {first.run_id}: the failure follows the chip."
    )
    assert said["A4"].startswith("A4 (SP2-0002): this chip has a defect in crc16 (odds ")
    for slot, chip in (("A1", "SP2-0001"), ("A3", "SP2-0003"), ("A5", "SP2-0005")):
        assert said[slot].endswith(
            f" This board failed alike with chip {chip} in run {first.run_id}: "
            "the failure stays with the board."
        )


def test_every_good_chip_passes_once_it_sits_on_a_good_board(runs: list[RunRecord]) -> None:
    passed = {serial for run in runs for serial, found in verdicts(run).items() if found == GOOD}
    assert passed == {"SP2-0001", "SP2-0003", "SP2-0005", "SP2-0006"}


def test_a_slot_says_of_each_pin_what_proves_it_or_which_cause_suspects_it(
    runs: list[RunRecord],
) -> None:
    pins = {test.slot: {pin.pin: pin for pin in test.pins} for test in runs[0].continuity}
    assert {pin.state.value for pin in pins["A6"].values()} == {"proven"}
    (cause,) = (cause for cause in runs[0].causes if cause.slots == ("A1",))
    assert (pins["A1"]["in3"].state.value, pins["A1"]["in3"].cause) == ("suspected", cause.key)

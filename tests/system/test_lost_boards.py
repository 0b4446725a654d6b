"""Boards that go away or hang in the middle of a table, all in one run.

They are found again, or an error; never is there a verdict from half a table.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import partial

import pytest

from harness.board import open_session
from harness.cli import command_run
from harness.cli.screen import Screen
from harness.link import Timeouts
from harness.rack import station
from harness.records import ChipRecord, Reason, Verdict
from harness.store import Store
from tests.system.test_bad_boards import long_table
from tests.system.test_bad_input import make_bench
from tests.system.virtual import UPLOAD_BYTES

ROWS = 15_000
MIDDLE = UPLOAD_BYTES + 12_000
"""Bytes after which the long table is under way."""
EARLY = 9_000
"""Bytes after which the very first upload is under way."""
AGAIN = "The link was lost once, and the table was run again from its start."
PRESS = "import sys; open(sys.argv[1], 'w').write('x')"
NO_HUB = "import sys; sys.exit('no such hub')"


def power_keys(program: str) -> str:
    words = [sys.executable, "-c", program, "{switch}"]
    return "power_cycle = [" + ", ".join(f'"{word}"' for word in words) + "]\n"


SLOTS = {
    "replugged": ("", "unplug", "back_after_s = 1.0\n"),
    "early": ("", "unplug", "back_after_s = 1.0\n"),
    "cycled": (power_keys(PRESS), "hang", ""),
    "failing": (power_keys(NO_HUB), "hang", ""),
    "useless": (power_keys("") + "power_cycle_wait_s = 0\n", "hang", ""),
    "hanging": ("patience_s = 0\n", "hang", ""),
}
"""What a slot's table says, what happens to its link, and more about that."""


def slot(number: int, name: str) -> str:
    keys, kind, more = SLOTS[name]
    at_byte = EARLY if name == "early" else MIDDLE
    return (
        f'[[slot]]\nname = "{name}"\nport = "virtual"\nboard = "WB-0{number}"\n'
        f'chip = "SP2-000{number}"\n{keys}'
        f'[[slot.link_fault]]\nkind = "{kind}"\nat_byte = {at_byte}\n{more}'
    )


@dataclass(frozen=True)
class Told:
    """What the run left: exit code, text, and the chips as they are stored."""

    code: int
    text: str
    chips: dict[str, ChipRecord]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """One run over all of them."""
    bench = make_bench(tmp_path_factory.mktemp("lost"))
    long_table(bench, ROWS)
    head = 'shuttle = "vectors/shuttle.toml"\nprofile = "wader.toml"\n'
    slots = [slot(number, name) for number, name in enumerate(SLOTS, 1)]
    bench.rack.write_text(head + "".join(slots), "utf-8")
    console = bench.folder / "told.txt"
    hurried = partial(open_session, timeouts=Timeouts(0.5, 3.0))
    with console.open("w", encoding="utf-8") as out, pytest.MonkeyPatch.context() as patch:
        patch.setattr(station, "open_session", hurried)
        patch.setattr(command_run, "console", lambda: Screen(file=out, soft_wrap=True))
        code = bench.run()
    with Store.existing(bench.store) as store:
        chips = {chip.slot: chip for chip in store.latest_run().chips}
    return Told(code, console.read_text("utf-8"), chips)


def test_the_table_before_is_kept_and_every_slot_has_a_whole_verdict_or_an_error(
    told: Told,
) -> None:
    assert told.code == 3
    for chip in told.chips.values():
        before, cut = chip.outcomes  # the board that was lost early has all of it
        assert before.verdict is Verdict.PASS
        assert "lost" not in before.summary
        assert cut.verdict in {Verdict.PASS, Verdict.ERROR}
        assert cut.verdict is Verdict.ERROR or cut.cycles == ROWS


def test_a_board_that_is_plugged_in_again_is_found_and_its_table_run_from_the_start(
    told: Told,
) -> None:
    chip = told.chips["replugged"]
    assert (chip.verdict, chip.trouble) == (Verdict.PASS, "")
    assert chip.outcomes[1].summary.endswith(f" cycles. {AGAIN}")
    assert "replugged  the link was lost in bcd7seg/long, which will run again (" in told.text


def test_a_board_that_is_unplugged_in_its_very_first_upload_is_waited_for(told: Told) -> None:
    chip = told.chips["early"]
    assert (chip.verdict, chip.trouble) == (Verdict.PASS, "")
    assert all("lost" not in outcome.summary for outcome in chip.outcomes)
    assert "; check the cable and plug it in again; trying for 10 s\n" in told.text


def test_a_board_that_hangs_is_power_cycled_and_goes_on(told: Told) -> None:
    chip = told.chips["cycled"]
    assert (chip.verdict, chip.trouble) == (Verdict.PASS, "")
    did = f"{AGAIN} The board did not answer, so its power was cycled by `{sys.executable} -c "
    assert did in chip.outcomes[1].summary
    assert "cycled  the board hangs (" in told.text
    assert "cycled  its power was cycled by `" in told.text


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("failing", "its power could not be cycled: `*` ended with 1: no such hub"),
        ("useless", "its power was cycled by `*` in 0.* s before"),
        ("hanging", 'or name a command in the rack file that switches it off and on ("power*")'),
    ],
)
def test_a_board_that_hangs_on_is_an_error_that_says_what_was_tried(
    told: Told, name: str, why: str
) -> None:
    chip = told.chips[name]
    cut = chip.outcomes[1]
    assert (cut.verdict, cut.reason) == (Verdict.ERROR, Reason.LINK_LOST)
    assert chip.trouble.startswith(f"slot {name}, port virtual: the board sends nothing; ")
    for text in (cut.summary, chip.trouble, told.text):
        rest = text
        for part in why.split("*"):
            assert part in rest
            rest = rest.partition(part)[2]

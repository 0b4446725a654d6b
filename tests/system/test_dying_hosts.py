"""A host may die at any byte that it sends: the next host reaches the board all the same."""

from __future__ import annotations

from contextlib import suppress

import pytest

from harness.board import open_session
from harness.link import SerialPort
from tests.system.test_virtual_board import run_decoder
from tests.system.virtual import board, profile, session, shuttle

FOREVER = 1 << 60
BY_DAY = 5


class HostDied(Exception):
    """Nothing more comes from it."""


class DyingPort(SerialPort):
    """A port whose host dies after ``left`` bytes."""

    left = FOREVER

    def write(self, data: bytes) -> None:
        super().write(data[: DyingPort.left])
        DyingPort.left -= len(data)
        if DyingPort.left < 0:
            raise HostDied


def work_and_die(port: str, left: int) -> int:
    """Attach and run a table on a host that dies; return how many bytes it sent."""
    DyingPort.left = left
    with suppress(HostDied):
        opened = open_session(port, profile(), shuttle())
        try:
            run_decoder(opened)
        finally:
            opened._channel.port.close()
    return left - DyingPort.left


def check_that_no_death_matters(count: int) -> None:
    """Let hosts die at ``count`` places, from the first byte to the last, on one board."""
    with board() as port, pytest.MonkeyPatch.context() as patch:
        patch.setattr("harness.board.session.SerialPort", DyingPort)
        sent = work_and_die(port, FOREVER)
        assert sent > 10_000
        for k in range(count):
            work_and_die(port, sent * (2 * k + 1) // (2 * count))
            DyingPort.left = FOREVER
            with session(port) as opened:
                assert run_decoder(opened) == 0


def test_a_host_may_die_at_any_byte_of_an_upload_or_of_a_run() -> None:
    check_that_no_death_matters(BY_DAY)


@pytest.mark.nightly
def test_a_host_may_die_at_sixty_places() -> None:
    check_that_no_death_matters(60)

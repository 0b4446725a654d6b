"""The wire of a virtual board, between two terminals."""

from __future__ import annotations

import os
import threading
import tty
from contextlib import suppress

from harness.link import SerialPort
from harness.virtual.wire import LinkSpoiler, carry

MANY = bytes(range(251)) * 400


def test_commands_and_answers_that_are_not_read_yet_do_not_hold_each_other_up() -> None:
    """A board reads its next command only when its answer has been accepted."""
    (host, host_end), (board, board_end) = os.openpty(), os.openpty()
    for end in (host_end, board_end):
        tty.setraw(end)
    got: list[bytes] = []

    def answer_then_read() -> None:
        sent = 0
        while sent < len(MANY):
            sent += os.write(board_end, MANY[sent : sent + 512])
        data = b""
        while len(data) < len(MANY):
            data += os.read(board_end, 4096)
        got.append(data)

    def carry_until_closed() -> None:
        with suppress(OSError):
            carry(host, board, LinkSpoiler([]), 0)

    wire = threading.Thread(target=carry_until_closed, daemon=True)
    writer = threading.Thread(target=answer_then_read, daemon=True)
    wire.start()
    writer.start()
    port = SerialPort(os.ttyname(host_end))
    port.write(MANY)
    heard = b""
    while len(heard) < len(MANY):
        heard += port.read(5.0)
    writer.join(20.0)
    assert (heard, got) == (MANY, [MANY])
    port.close()
    for end in (host_end, board_end):
        os.close(end)
    wire.join(20.0)
    for end in (host, board):
        os.close(end)

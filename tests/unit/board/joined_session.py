"""A session with the agent in the same process; the board's profile selects by two address pins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.board import BoardProfile, ParallelSelect, Session
from harness.board.profile_model import SupplySensor
from harness.board.select import SelectMethod
from harness.link import Channel, RawRepl
from tests.unit.agent.tern import SHUTTLE, TernPins
from tests.unit.link.joined import Clock, JoinedBoard


def profile(select: SelectMethod) -> BoardProfile:
    pins = {pin.name: pin.bit for pin in SHUTTLE.pins}
    sensor = SupplySensor(26, 62.5, full_volt=1.0)
    return BoardProfile(
        "Perch", "none", pins, select, Path(), "", in_flight=2048, supply_sensor=sensor
    )


TWO_PINS = ParallelSelect(("s1", "s0"))


def join(
    pins: TernPins,
    *,
    seed: int = 0,
    rows: int = 64,
    select: SelectMethod = TWO_PINS,
    heard: Callable[[int], None] = lambda _cycles: None,
) -> tuple[Session, JoinedBoard]:
    clock = Clock()
    board = JoinedBoard(pins, clock, seed=seed, rows=rows)
    channel = Channel(board, 2048, session=7, clock=clock)
    channel.wait_for_agent(1.0)
    return Session(channel, RawRepl(board), profile(select), SHUTTLE, heard), board

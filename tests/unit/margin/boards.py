"""A board with a chip that is right up to a clock rate and wrong above it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from harness.board import BoardIdentity, Capture, RunConditions
from harness.errors import LinkError
from harness.shuttle import Design
from harness.table import NO_CYCLES, Cycles, Pattern


@dataclass
class LimitedBoard:
    """The chip's limit in Hz varies by the share ``jitter`` (one sigma) from run to run.

    With a sample point the time till there counts, as on a virtual chip. ``limit`` gives it at
    each call, so that it may hang on a voltage. ``breaks`` raises in the runs whose numbers it
    has, counted from 0 over all boards that share ``ran``.
    """

    limit: Callable[[], float]
    jitter: float = 0.0
    seed: int = 0
    breaks: dict[int, LinkError] = field(default_factory=dict)
    ran: list[RunConditions] = field(default_factory=list)
    identity: BoardIdentity = field(
        default_factory=lambda: BoardIdentity("WB-01", "1", "none", "virtual", False)
    )
    selected: int = 0
    closed: int = 0

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    def supply_ma(self) -> float | None:
        return None

    def select(self, design: Design) -> None:
        del design
        self.selected += 1

    def cancel(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        del window
        number = len(self.ran)
        self.ran.append(conditions)
        if number in self.breaks:
            raise self.breaks[number]
        period = 1e9 / conditions.clock_hz
        rate = 1e9 / min(conditions.sample_ns or period, period)
        wrong = rate > self.limit() * (1 + self._random.gauss(0, self.jitter))
        return Capture(
            cycles=len(pattern),
            mismatch_count=int(wrong),
            mismatches=(),
            pin_counts={},
            signature=0,
            until_used={},
            window=None,
            achieved_hz=conditions.clock_hz,
            exact=False,
            seconds=0.0,
        )

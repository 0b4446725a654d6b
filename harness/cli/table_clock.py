"""How far a table is, and how long it may still take, for tables that run for minutes."""

from __future__ import annotations

from dataclasses import dataclass

LINE_SECONDS = 10.0
"""A log has a line when another tenth of a table is done, if the last line is so long ago."""
MIN_TIMED_SECONDS = 2.0
"""Minimum time of a run from which the time left is worked out."""


@dataclass
class TableClock:
    """A table that runs: at most ``cycles``, since ``began``; ``done`` of them, in this run."""

    name: str
    cycles: int
    began: float
    done: int = 0
    told: float = 0.0
    tenths: int = 0

    @classmethod
    def start(cls, name: str, cycles: int, now: float) -> TableClock:
        """Begin with a table's first run."""
        return cls(name, cycles, now, told=now)

    def hear(self, done: int, now: float) -> None:
        """Take the cycles that were done; fewer than before mean that it runs once more."""
        if done < self.done:
            self.began, self.tenths = now, 0
        self.done = min(done, self.cycles)

    def due(self, now: float) -> bool:
        """Whether a log should have a line now; says yes once."""
        tenths = 10 * self.done // max(1, self.cycles)
        if now - self.told < LINE_SECONDS or not self.tenths < tenths < 10:
            return False
        self.told, self.tenths = now, tenths
        return True

    def text(self, now: float) -> str:
        """``uart/long  1,048,576 of 8,000,000 cycles, about 2:10 left``."""
        if not 0 < self.done < self.cycles:
            return self.name
        text = f"{self.name}  {self.done:,} of {self.cycles:,} cycles"
        took = now - self.began
        if took < MIN_TIMED_SECONDS:
            return text
        return f"{text}, about {clock(took * (self.cycles - self.done) / self.done)} left"


def clock(seconds: float) -> str:
    """``1:02:03`` or ``2:03``."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"

"""The levels of one line of a serial interface, cycle by cycle.

One rule: a level that is not known is ``UNKNOWN``; no decoder guesses it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

UNKNOWN = -1

Words = NDArray[np.uint32]


@dataclass(frozen=True, eq=False)
class LineLevels:
    """One line: 0, 1 or ``UNKNOWN`` at the end of each cycle, and where it is pulsed in between.

    Both arrays have one entry per cycle. A pulse goes away from the level and back.
    """

    level: NDArray[np.int8]
    pulsed: NDArray[np.bool_]

    def __len__(self) -> int:
        """Number of cycles."""
        return len(self.level)

    def at(self, cycle: int) -> int:
        """Level at the end of a cycle; unknown before the first and after the last."""
        return int(self.level[cycle]) if 0 <= cycle < len(self.level) else UNKNOWN

    def rested(self, start: int) -> LineLevels:
        """The same line, at 1 before a cycle."""
        return LineLevels(np.where(np.arange(len(self)) < start, 1, self.level), self.pulsed)

    def bit(self, start: int, cycles: int) -> int:
        """Level of a bit: in its middle, else where it is known nearest to that."""
        middle = start + cycles // 2
        if self.at(middle) != UNKNOWN:
            return self.at(middle)
        around = sorted(range(start, start + cycles), key=lambda cycle: abs(cycle - middle))
        known = (level for cycle in around if (level := self.at(cycle)) != UNKNOWN)
        return next(known, UNKNOWN)


def expected_levels(words: Mapping[str, Words], bit: int) -> LineLevels:
    """Levels that a table drives or tests at a bit of its words; released and tested counts as 1.

    ``words`` are the planes of a pattern, one entry per cycle.
    """
    level = np.full(len(words["drive"]), UNKNOWN, np.int8)
    for test, value in (("care", _at(words["expect"], bit)), ("highz", 1)):
        level = np.where(_at(words[test], bit) == 1, value, level)
    return _driven(words, bit, level)


def observed_levels(words: Mapping[str, Words], bit: int, *, tested_only: bool) -> LineLevels:
    """Levels that were driven or read at a bit of the words read back; floating counts as 1.

    With ``tested_only`` a level that the table neither drives nor tests is unknown: nothing has to
    drive such a line.
    """
    level = np.where(_at(words["floating"], bit) == 1, 1, _at(words["seen"], bit))
    if tested_only:
        tested = _at(words["care"] | words["highz"], bit) == 1
        level = np.where(tested, level, UNKNOWN)
    return _driven(words, bit, level.astype(np.int8))


def _driven(words: Mapping[str, Words], bit: int, level: NDArray[np.int8]) -> LineLevels:
    enabled = _at(words["enable"], bit) == 1
    return LineLevels(
        np.where(enabled, _at(words["drive"], bit), level).astype(np.int8),
        _at(words["pulse"], bit) == 1,
    )


def _at(words: Words, bit: int) -> NDArray[np.int8]:
    return (words >> np.uint32(bit) & np.uint32(1)).astype(np.int8)

"""How pytest-xdist deals tests out where there are boards: one board, one worker.

One rule: the place at the end of a test's name decides; every other test goes as ``--dist`` says.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pytest
from xdist.scheduler import LoadScopeScheduling


class BoardScheduling(LoadScopeScheduling):  # type: ignore[misc]  # it has no types
    """Deals out whole boards: all tests of a board are one scope, which one worker runs."""

    def __init__(self, config: pytest.Config, log: Any, places: Sequence[str]) -> None:
        super().__init__(config, log)
        names = "|".join(map(re.escape, places))
        self._at = re.compile(rf"@({names})(?=$|[\]-])")
        self._dist = config.getoption("dist")

    def _split_scope(self, nodeid: str) -> str:
        board = self._at.search(nodeid)
        if board is not None:
            return board.group()
        match self._dist:
            case "loadfile":
                return nodeid.partition("::")[0]
            case "loadscope":
                return nodeid.rpartition("::")[0]
            case _:
                return nodeid

"""Checks that the stubs beside the agent's sources say what the sources do.

``python -m tests.unit.agent.stubs``, as ``ci/test`` calls it beside the other checks.
"""

from __future__ import annotations

import sys
from pathlib import Path

from mypy import stubtest

from tests.unit.agent.micropython import FAKE_BOARD

AGENT = Path(__file__).parents[3] / "harness" / "agent"


def main() -> int:
    """Compare every stub with its source; gives 1 if one of them lies."""
    sys.path.insert(0, str(FAKE_BOARD))
    names = [f"harness.agent.{path.stem}" for path in sorted(AGENT.glob("*.pyi"))]
    return stubtest.test_stubs(stubtest.parse_options(names))


if __name__ == "__main__":
    sys.exit(main())

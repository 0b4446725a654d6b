"""What the fork server of the tests has done before its first fork: loaded and compiled all.

Importing this module is slow on purpose; only the fork server does. Run as a script, it also
compiles what rehearsals and predictions need and keeps those of the demo, so that no two tests do
it at once.
"""

from __future__ import annotations

from pathlib import Path

from harness.board import load_profile
from harness.shuttle import load_shuttle
from harness.virtual import server
from harness.virtual.chip import ChipModel

ROOT = Path(__file__).resolve().parents[1]

main = server.main


def _compile() -> None:
    shuttle = load_shuttle(ROOT / "vectors/shuttle.toml")
    profile = load_profile(ROOT / "ci/wader.toml", shuttle)
    ChipModel(shuttle, profile.select, "SP2-0001", (), ()).run_until(0, 0, 0, 0, 0, 1)


_compile()

if __name__ == "__main__":
    from harness.virtual.prepare import prepare
    from tests.unit.blame.racks import predictions

    prepare()
    predictions()

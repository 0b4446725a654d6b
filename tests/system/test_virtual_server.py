"""The process of virtual boards after the process that started them is gone: it ends silently."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from harness.virtual.spec import to_json
from tests.system.virtual import spec

ASKED = to_json([spec(), spec(slot="A2")], 1.8) + "\n"
UNUSABLE = to_json([spec(shuttle_path=Path("/no/such/shuttle.toml"))]) + "\n"


@pytest.mark.parametrize(
    ("asked", "status"),
    [(ASKED, 0), (UNUSABLE, 1), ("", 0), (ASKED[:40], 0)],
    ids=["answer", "error", "nothing asked", "half a question"],
)
def test_a_server_whose_parent_is_gone_ends_quietly(asked: str, status: int) -> None:
    server = subprocess.Popen(
        [sys.executable, "-m", "harness.virtual.server"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert server.stdout is not None
    server.stdout.close()  # nobody will read the answer
    server.stdout = None
    _, said = server.communicate(asked, timeout=60)
    assert (server.returncode, said) == (status, "")

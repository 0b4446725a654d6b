"""How property tests run: freely on a desk, and with the same examples each time in CI.

A verdict of CI must not depend on luck; a person's runs go on searching for new examples.
"""

from __future__ import annotations

import os
import signal

from hypothesis import settings

settings.register_profile("desk", deadline=None)
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


def pytest_collection_finish() -> None:
    """Take back what importing ``vcdvcd`` does: a connection that breaks must not end pytest."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)

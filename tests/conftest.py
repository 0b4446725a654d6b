"""How property tests run: freely on a desk, and with the same examples each time in CI.

A verdict of CI must not depend on luck; a person's runs go on searching for new examples.
"""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("desk", deadline=None)
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

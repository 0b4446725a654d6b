"""Bundles for tickets: a chip's evidence and its inputs in one file, and running that again."""

from harness.bundle.compare import Comparison, Likeness, compare
from harness.bundle.find import Places
from harness.bundle.make import MadeBundle, make_bundle, write_bundle
from harness.bundle.replay import MOST_CYCLES, UNKNOWN_CHIP, Replay, Target, replay

__all__ = [
    "MOST_CYCLES",
    "UNKNOWN_CHIP",
    "Comparison",
    "Likeness",
    "MadeBundle",
    "Places",
    "Replay",
    "Target",
    "compare",
    "make_bundle",
    "replay",
    "write_bundle",
]

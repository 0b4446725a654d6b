"""Bundles for tickets: a chip's evidence and its inputs in one file, and running that again."""

from harness.bundle.compare import Comparison, Likeness, compare
from harness.bundle.find import Places
from harness.bundle.make import MadeBundle, make_bundle

__all__ = [
    "Comparison",
    "Likeness",
    "MadeBundle",
    "Places",
    "compare",
    "make_bundle",
]

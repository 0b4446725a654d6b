"""Bundles for tickets: a chip's evidence and its inputs in one file, and running that again."""

from harness.bundle.archive import LARGEST_FILE, unpack
from harness.bundle.compare import Comparison, Likeness, compare
from harness.bundle.contents import INPUTS, RUN, altered_inputs
from harness.bundle.find import Places
from harness.bundle.make import MadeBundle, make_bundle
from harness.bundle.opened import Opened, lay_out, told_of

__all__ = [
    "INPUTS",
    "LARGEST_FILE",
    "RUN",
    "Comparison",
    "Likeness",
    "MadeBundle",
    "Opened",
    "Places",
    "altered_inputs",
    "compare",
    "lay_out",
    "make_bundle",
    "told_of",
    "unpack",
]

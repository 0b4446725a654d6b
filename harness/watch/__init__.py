"""The rack as it runs, and all that is kept, as a small web page of this computer."""

from harness.watch.serve import Watching, watching

__all__ = ["Watching", "watching"]

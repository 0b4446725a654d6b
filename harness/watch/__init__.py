"""The rack as it runs, and all that is kept, as a small web page of this computer."""

from harness.watch.serve import watching

__all__ = ["watching"]

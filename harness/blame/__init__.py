"""Who is to blame for what a run has seen: hypotheses, alibis, odds. Pure."""

from harness.blame.slips import slips, trace_of

__all__ = ["slips", "trace_of"]

"""A chip worked by hand: pins set and read by name, step by step, from a prompt or a test."""

from harness.hand.asked import Value, held_levels
from harness.hand.chip import HandledChip

__all__ = ["HandledChip", "Value", "held_levels"]

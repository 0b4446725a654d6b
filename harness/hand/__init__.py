"""A chip worked by hand: pins set and read by name, step by step, from a prompt or a test."""

from harness.hand.asked import Value as Value
from harness.hand.asked import held_levels as held_levels
from harness.hand.chip import HandledChip as HandledChip

"""Reference model of the shift register, from the published taps alone.

Source: P. Alfke, Xilinx XAPP052 (1996): 12 stages, taps 12, 6, 4 and 1, XNOR into stage 1. The
register is a list of stages here, and the feedback is a count of ones.
"""

from __future__ import annotations

STAGES = 12
TAPS = (12, 6, 4, 1)


class Model:
    """Stages 1 to 12; stage k is bit k - 1 of q."""

    inputs = ("en",)
    outputs = ("q",)
    weights = {"en": {0: 1, 1: 7}}  # noqa: RUF012 - shifts in seven rows of eight
    states = range((1 << STAGES) - 1)  # all ones never occurs

    def reset(self) -> None:
        """Clear every stage."""
        self.stages = [0] * STAGES

    def step(self, inputs: dict[str, int]) -> dict[str, int]:
        """One clock: shift if enabled."""
        if inputs["en"]:
            ones = sum(self.stages[tap - 1] for tap in TAPS)
            self.stages = [1 - ones % 2, *self.stages[:-1]]
        return {"q": self.state()}

    def state(self) -> int:
        """The stages as a number."""
        return sum(stage << place for place, stage in enumerate(self.stages))

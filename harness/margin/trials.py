"""How often a point is tried, and when it passes: a pure decision from counts.

One rule: a point passes only if its trials show it. The Wilson 95 % score interval of its pass
probability (E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
Journal of the American Statistical Association 22, 1927) must be above the required share; a
point that is still undecided after the maximum of trials has not been shown to pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.store import pass_rate


@dataclass(frozen=True)
class TrialRule:
    """Try ``min_trials`` to ``max_trials`` times; passing is a pass probability above ``share``.

    With the defaults a chip that always passes takes 16 trials, one that never does takes 4.
    Deciding after every trial makes a wrong decision slightly likelier than 5 % at a point whose
    probability is close to ``share``, which is within the noise of a limit anyway.
    """

    min_trials: int = 4
    max_trials: int = 32
    share: float = 0.8

    def __post_init__(self) -> None:
        if not 1 <= self.min_trials <= self.max_trials or not 0 < self.share < 1:
            raise ValueError(
                "trials must be at least 1, max_trials at least min_trials, share between 0 and 1"
            )

    def decided(self, passes: int, trials: int) -> bool | None:
        """Return whether the point passes; None if it must be tried again."""
        if trials < self.min_trials:
            return None
        rate = pass_rate(passes, trials)
        if rate.low >= self.share:
            return True
        if rate.high < self.share or trials >= self.max_trials:
            return False
        return None


@dataclass(frozen=True)
class Tried:
    """The trials of a point that was decided."""

    trials: int
    passes: int
    passing: bool


def try_point(passes: Callable[[], bool], rule: TrialRule) -> Tried:
    """Try a point until the rule decides; an exception of ``passes`` passes through."""
    trials = good = 0
    while True:
        good += passes()
        trials += 1
        decided = rule.decided(good, trials)
        if decided is not None:
            return Tried(trials, good, decided)

"""The pass rate's interval against independent implementations.

Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
Journal of the American Statistical Association 22 (1927), pages 209 to 212. statsmodels and scipy
were written by other people from the same source.
"""

from __future__ import annotations

import pytest
from scipy.stats import binomtest, norm
from statsmodels.stats.proportion import proportion_confint

from harness.store import pass_rate
from harness.store.wilson import Z_95

COUNTS = [
    (passes, tested)
    for tested in (1, 2, 3, 10, 34, 365, 73_000)
    for passes in sorted({0, 1, tested // 2, tested - 1, tested})
]


@pytest.mark.parametrize(("passes", "tested"), COUNTS)
def test_the_interval_is_wilsons_as_two_other_programs_have_it(passes: int, tested: int) -> None:
    ours = pass_rate(passes, tested)
    theirs = proportion_confint(passes, tested, alpha=0.05, method="wilson")
    second = binomtest(passes, tested).proportion_ci(0.95, method="wilson")
    assert (ours.low, ours.high) == pytest.approx(tuple(theirs), abs=1e-12)
    assert (ours.low, ours.high) == pytest.approx((second.low, second.high), abs=1e-12)


def test_the_quantile_is_that_of_the_normal_distribution() -> None:
    assert pytest.approx(norm.ppf(0.975), abs=1e-15) == Z_95

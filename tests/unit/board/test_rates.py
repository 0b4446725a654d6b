from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from harness.agent.backends import backend
from harness.board import RateGrid, pattern_rates
from tests.unit.judge.samples import follow_pattern

GRIDS = st.builds(
    RateGrid, st.sampled_from([1, 8, Fraction(20, 3), 1000]), st.integers(1, 1000), st.booleans()
)


def test_ticks_of_eight_nanoseconds_reach_31_25_megahertz_in_four() -> None:
    grid = RateGrid(8, 4, exact=True)
    assert grid.hz(4) == 31_250_000
    assert grid.ticks(31_250_000) == 4
    assert grid.ticks(99e6) == 4, "no faster than the board can"
    assert grid.ticks(10e6) == 13, "13 ticks are 9.6 MHz; 12 would be too fast"


def test_a_board_that_counts_microseconds_rounds_down_to_a_rate_it_has() -> None:
    grid = pattern_rates(backend("generic"), 100_000, follow_pattern())
    assert grid.fewest == 10
    assert grid.hz(grid.ticks(30_000)) == Fraction(1_000_000, 34)


@given(GRIDS, st.integers(0, 100_000))
def test_a_rate_of_the_grid_stays_what_it_is_as_a_float(grid: RateGrid, more: int) -> None:
    ticks = grid.fewest + more
    assert grid.ticks(float(grid.hz(ticks))) == ticks


@given(GRIDS, st.floats(1, 1e9))
def test_the_rate_found_is_the_fastest_that_is_not_too_fast(grid: RateGrid, hz: float) -> None:
    ticks = grid.ticks(hz)
    assert grid.fewest <= ticks <= grid.most
    assert grid.hz(ticks) <= Fraction(hz) * (1 + Fraction(1, 1 << 51)) or ticks in (
        grid.fewest,
        grid.most,
    )
    assert ticks == grid.fewest or grid.hz(ticks - 1) > hz or ticks == grid.most

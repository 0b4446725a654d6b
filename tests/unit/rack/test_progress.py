"""What a session hears of a long table becomes an event at most once a second."""

from __future__ import annotations

from harness.rack import CyclesDone
from harness.rack.slow import cycles_done


def test_an_event_comes_at_most_once_a_second_and_a_short_table_has_none() -> None:
    seen: list[object] = []
    moments = iter([0.0, 0.4, 0.9, 1.0, 1.5, 2.1])
    heard = cycles_done("A1", seen.append, lambda: next(moments))
    for cycles in (10, 20, 30, 40, 50):
        heard(cycles)
    assert seen == [CyclesDone("A1", 30), CyclesDone("A1", 50)]


def test_a_watcher_that_fails_does_not_end_the_run() -> None:
    def broken(event: object) -> None:
        raise RuntimeError(event)

    moments = iter([0.0, 5.0])
    cycles_done("A1", broken, lambda: next(moments))(7)

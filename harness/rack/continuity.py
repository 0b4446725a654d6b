"""The continuity test: the tables that come first in every slot, requested or not.

One rule: no table runs twice, and what the test takes beyond the requested tables is bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from harness.judge import Case
from harness.rack.cases import Job, cases, read_jobs
from harness.rack.events import unobserved
from harness.rack.model import Rack, Slot
from harness.rack.modelled import check_rack_models
from harness.rack.slow import news_if_slow
from harness.records import SlotPins
from harness.rehearse import Cache, Key, fewest_tables, predict

MAX_EXTRA_SECONDS = 3.0
"""Maximum time, by their own clocks, of the tables that run in a slot without being requested."""
PREDICTING = "working out how tables answer under each fault of a board"


@dataclass(frozen=True)
class ContinuityTest:
    """The test of every slot of a rack: its ``tables`` in order.

    ``extras`` are those of them that were not requested.
    """

    tables: tuple[Key, ...] = ()
    extras: tuple[Job, ...] = ()

    def order(self, jobs: Iterable[Job]) -> tuple[Job, ...]:
        """Put the tables of the test first, in its order."""
        places = {key: place for place, key in enumerate(self.tables)}
        return tuple(sorted(jobs, key=lambda job: places.get(job.key, len(places))))

    def jobs(self, requested: Iterable[Job]) -> tuple[Job, ...]:
        """Return the tables of the test in order, of those requested and the extras."""
        known = {job.key: job for job in (*requested, *self.extras)}
        return tuple(known[key] for key in self.tables)

    def of_slot(self, rack: Rack, slot: Slot) -> tuple[SlotPins, tuple[Case, ...]]:
        """Return the record of a slot's test, empty as yet, and its extra tables."""
        names = tuple("/".join(key) for key in self.tables)
        return SlotPins(slot.name, names, (), ()), cases(rack, slot, self.extras)


def continuity_test(
    rack: Rack,
    jobs: Sequence[Job],
    tell: Callable[[str], None] = unobserved,
    heed: Callable[[], None] = lambda: None,
) -> ContinuityTest:
    """Choose the tables of the test: those that the shuttle names, else the fewest that do it.

    One that is not among ``jobs`` is left out if it cannot be used here or takes too long.
    ``tell`` gets a sentence if choosing them takes long; what ``heed`` raises ends that.
    """
    named = tuple(split_key(name) for name in rack.shuttle.pin_check)
    if not named:
        with news_if_slow(tell, PREDICTING):
            named = _fewest(rack, jobs, heed)
    known = {job.key for job in jobs}
    extras = tuple(_within_time(_usable(rack, [key for key in named if key not in known])))
    usable = known | {job.key for job in extras}
    return ContinuityTest(tuple(key for key in named if key in usable), extras)


def _fewest(rack: Rack, jobs: Sequence[Job], heed: Callable[[], None]) -> tuple[Key, ...]:
    """Choose among the intake tables, which are quick; among those requested if there are none."""
    shuttle = rack.shuttle
    quick = [(design, spec) for design in shuttle.designs for spec in design.tables if spec.intake]
    found, _ = read_jobs(shuttle, quick)
    chosen = (job[:3] for job in found or jobs)
    return fewest_tables(predict(shuttle, chosen, rack.profile, cache=Cache(), heed=heed))


def _usable(rack: Rack, keys: Sequence[Key]) -> Iterator[Job]:
    """Read tables that were not requested; what is wrong with one is no reason to refuse a run."""
    designs = rack.shuttle.designs_by_name
    for design, table in (key for key in keys if key[0] in designs):
        specs = [spec for spec in designs[design].tables if spec.name == table]
        if not check_rack_models(rack, [designs[design]]):
            jobs, _ = read_jobs(rack.shuttle, [(designs[design], spec) for spec in specs])
            yield from jobs


def _within_time(jobs: Iterable[Job]) -> Iterator[Job]:
    left = MAX_EXTRA_SECONDS
    for job in jobs:
        # an ``until`` row takes its limit on a board where nothing answers
        seconds = int(job.pattern.repeat.sum(dtype=np.int64)) / job.spec.clock_hz
        if seconds <= left:
            left -= seconds
            yield job


def split_key(name: str) -> Key:
    """Return design and table of ``design/table``."""
    design, _, table = name.partition("/")
    return design, table

"""Search the margins of a rack: designs and slots in, a stored record of each search out.

One rule: this combines the rooms; ``harness.margin`` decides how a limit is found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from harness.errors import ConfigError
from harness.grouping import grouped
from harness.jobs.beyond import links_in
from harness.jobs.choices import RUNS, STORE
from harness.jobs.run import new_run
from harness.jobs.settle import Evaluator
from harness.jobs.stores import AnyStore, existing, opened, patiently
from harness.jobs.tables import choose, load_jobs, unknown
from harness.margin import MarginObserver, MarginWorker, SearchMeans, SearchTarget, TrialRule
from harness.rack import (
    Job,
    Rack,
    RackNews,
    Slot,
    StopSwitch,
    SupplyUse,
    as_news,
    cases,
    continuity_test,
    reachable,
    run_slots,
    unobserved,
    within,
)
from harness.records import MarginKind, MarginRecord
from harness.store import Store
from harness_reports import write_margins

_SUPPLY_USE = {MarginKind.SUPPLY: SupplyUse.CHANGING}


@dataclass(frozen=True)
class Wish:
    """What to search.

    ``designs`` and ``slots`` are names, or patterns such as ``crc*``; none means all. ``table``
    is one table's name; empty means all tables of a design. ``run_id`` is the night's run that the
    search belongs to. ``only`` limits the search to these slots and designs; None means all.
    """

    designs: tuple[str, ...] = ()
    slots: tuple[str, ...] = ()
    table: str = ""
    kind: MarginKind = MarginKind.RATE
    run_id: str = ""
    rule: TrialRule = field(default_factory=TrialRule)
    only: frozenset[tuple[str, str]] | None = None


def search_margins(
    rack: Rack,
    store: AnyStore = STORE,
    wish: Wish | None = None,
    observe: MarginObserver = unobserved,
    stop: StopSwitch | None = None,
) -> tuple[MarginRecord, ...]:
    """Search the margins of a rack, all slots in parallel; voltages one slot after the other.

    Every record is stored before ``observe`` gets it; it also gets every point, and news of a store
    that is away or of a substitute for a virtual board's interpreter. Ctrl-C, or ``stop``, ends the
    searches: what was tried so far is kept, and a design that was not reached has a record that
    says so.
    Whatever a board, a link or a supply does is in the records and never raises, except a supply
    that cannot be used at all, or not brought back (SupplyTrouble).

    Raises ConfigError for a name that does not exist or a kind of search that this rack cannot do,
    InputError if a table or a netlist cannot be read, PortUnavailable if another process uses the
    bench supply in a conflicting way, VirtualError and StoreError.
    """
    with opened(store) as kept:
        return _search_chosen(rack, kept, wish or Wish(), observe, stop or StopSwitch())


def _search_chosen(
    rack: Rack, store: Store, wish: Wish, observe: MarginObserver, stop: StopSwitch
) -> tuple[MarginRecord, ...]:
    slots = choose("slot", rack.slots, wish.slots, rack.file, rack.name)
    _check_kind(rack, slots, wish.kind)
    jobs = _chosen_jobs(replace(rack, slots=slots), wish, as_news(observe))
    targets = {slot.name: tuple(_targets(rack, slot, jobs, wish)) for slot in slots}
    busy = replace(rack, slots=tuple(slot for slot in slots if targets[slot.name]))
    records: list[MarginRecord] = []

    def keep(record: MarginRecord) -> None:
        def stored() -> MarginRecord:
            store.record_margin(record)
            return record

        where = f"slot {record.slot}"
        records.append(within(where, stored, lambda error: replace(record, trouble=str(error))))

    if busy.slots:
        with patiently(store, observe, stop):
            _search(busy, wish, jobs, targets, keep, observe, stop)
    order = {slot.name: number for number, slot in enumerate(rack.slots)}
    return tuple(sorted(records, key=lambda record: order[record.slot]))


def write_margin_pages(
    records: Sequence[MarginRecord],
    folder: str | Path = RUNS / "margins",
    store: AnyStore = STORE,
) -> tuple[Path, ...]:
    """Write a page for each chip, compared with its earlier searches and with other chips.

    Raises StoreError if a page cannot be written or the store cannot be read.
    """
    by_chip = grouped((record.chip_serial, record) for record in records)
    links = links_in(Path(folder).parent)
    with existing(store) as kept:
        others = kept.latest_margins({record.design for record in records})
        return tuple(
            write_margins(own, Path(folder), (*kept.margins(chip=serial), *others), links)
            for serial, own in by_chip.items()
        )


def _search(
    rack: Rack,
    wish: Wish,
    jobs: Sequence[Job],
    targets: Mapping[str, tuple[SearchTarget, ...]],
    keep: Callable[[MarginRecord], None],
    observe: MarginObserver,
    stop: StopSwitch,
) -> None:
    """Open the rack's boards, and its supply to sweep it, and search every slot."""
    test = continuity_test(rack, jobs, as_news(observe))
    tables = test.jobs(jobs)
    with ExitStack() as opened:
        use = _SUPPLY_USE.get(wish.kind, SupplyUse.STEADY)
        reached = opened.enter_context(reachable(rack, f"margins of {rack.name}", use))
        if reached.remark:
            observe(RackNews(reached.remark))
        supply = reached.supply if wish.kind is MarginKind.SUPPLY else None
        if supply is not None:
            opened.enter_context(supply)
        evaluator = Evaluator(rack, tables, as_news(observe))
        means = SearchMeans(
            rack.profile,
            reached.open_slot,
            wish.kind,
            wish.rule,
            keep,
            observe,
            stop,
            supply,
            suspicion=partial(evaluator.suspicion, new_run(rack), test),
        )
        workers = [
            MarginWorker(
                slot,
                targets[slot.name],
                means,
                reached.addresses.get(slot.name, {}),
                cases(rack, slot, tables),
            )
            for slot in rack.slots
        ]
        run_slots({worker.slot: worker.run for worker in workers}, stop)


def _check_kind(rack: Rack, slots: Sequence[Slot], kind: MarginKind) -> None:
    if kind is MarginKind.SUPPLY and rack.supply is None:
        message = "no voltage can be set: the rack file names no bench supply"
        advice = "add [supply], or search another quantity"
        raise ConfigError.of("no-supply", rack.file, message, advice)
    paced = [slot.name for slot in slots if not slot.virtual]
    if kind is MarginKind.SAMPLE and paced and not rack.profile.about.samples:
        message = (
            f"the sample point of slot {paced[0]} cannot be moved: software paces its cycles and "
            "reads late"
        )
        advice = 'use a board whose profile has backend = "rp2", or search another quantity'
        raise ConfigError.of("paced-board", rack.file, message, advice)


def _chosen_jobs(rack: Rack, wish: Wish, tell: Callable[[str], None]) -> tuple[Job, ...]:
    jobs = load_jobs(rack, wish.designs, tell)
    if not wish.table:
        return jobs
    chosen = tuple(job for job in jobs if job.spec.name == wish.table)
    if not chosen:
        message = f'none of these designs has a table "{wish.table}"'
        known = {job.spec.name for job in jobs}
        raise ConfigError([unknown("table", wish.table, known, rack.file, message)])
    return chosen


def _targets(rack: Rack, slot: Slot, jobs: Sequence[Job], wish: Wish) -> Iterator[SearchTarget]:
    for name in dict.fromkeys(job.design.name for job in jobs):
        if wish.only is None or (slot.name, name) in wish.only:
            own = cases(rack, slot, (job for job in jobs if job.design.name == name))
            yield SearchTarget(rack.name, own, slot.virtual, wish.table, wish.run_id)

"""``harness margin``: find how fast a design still works on a chip."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.exit_code import ExitCode
from harness.cli.fault_log import fault_log
from harness.cli.options import OUT_HELP, STORE_HELP, DesignsOption, name_patterns
from harness.cli.run_codes import margin_code
from harness.cli.screen import Screen, console, shown
from harness.cli.supply_ready import SUPPLY_READY_HELP, confirm_supply
from harness.records import MarginEdge, MarginKind, MarginRecord

SHMOO_HELP = "Trace the limit against the sample point or the supply voltage: `sample`, `supply`."


def margin(
    rack: Annotated[Path, typer.Argument(help="Rack file.")],
    designs: DesignsOption = "",
    slots: Annotated[str, typer.Option(help="Only these slots: names or patterns.")] = "",
    table: Annotated[str, typer.Option(help="Only this table of each design.")] = "",
    shmoo: Annotated[str, typer.Option(help=SHMOO_HELP)] = "",
    supply_ready: Annotated[bool, typer.Option(help=SUPPLY_READY_HELP)] = False,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
) -> ExitCode:
    """Find the highest clock rate at which a design's tables pass, on every chip of a rack.

    Exit status: 0 every limit is at or above the design's clock, 1 some limit is below it, 2 wrong
    usage or input, 3 a search is incomplete.
    """
    chosen, kind, screen = harness.load_rack(rack), _kind(shmoo), console()
    if kind is MarginKind.SUPPLY and chosen.supply is not None:
        confirm_supply(screen, chosen.supply, supply_ready)
    wish = harness.Wish(name_patterns(designs), name_patterns(slots), table, kind)
    with fault_log(out), harness.Store(store) as kept, _progress(screen) as observe:
        records = harness.search_margins(chosen, kept, wish, observe)
        pages = harness.write_margin_pages(records, out / "margins", kept)
    _print_counts(screen, chosen, records)
    screen.say_each(f"Report: {page}" for page in pages)
    return margin_code(records)


def _kind(shmoo: str) -> MarginKind:
    if not shmoo:
        return MarginKind.RATE
    kinds = {MarginKind.SAMPLE.value: MarginKind.SAMPLE, MarginKind.SUPPLY.value: MarginKind.SUPPLY}
    if shmoo not in kinds:
        raise typer.BadParameter(f'--shmoo is "{shmoo}"; give sample or supply')
    return kinds[shmoo]


@contextmanager
def _progress(screen: Screen) -> Iterator[harness.MarginObserver]:
    """Print each search as it ends; on a terminal also the point being tried."""
    lock = threading.Lock()
    status = screen.status("connecting to the boards") if screen.is_terminal else None

    def hear(event: harness.MarginEvent) -> None:
        with lock:
            if isinstance(event, harness.MarginFound):
                _print_record(screen, event.record)
            elif isinstance(event, harness.RackNews):
                screen.say(event.text)
            elif status is not None:
                status.update(shown(_point_text(event)))

    with status or nullcontext():
        yield hear


def _point_text(event: harness.PointTried) -> str:
    point = event.point
    passed = f"{point.passes} of {point.trials} passed"
    where = harness_reports.exactly(point.achieved_hz)
    return f"{event.slot}  {event.chip}  {event.design} at {where}: {passed}"


def _print_record(screen: Screen, record: MarginRecord) -> None:
    head = f"{record.slot}  {record.chip_serial}  {record.design}"
    screen.say(f"{head}  {harness_reports.limit_text(record)}")
    if record.kind is not MarginKind.RATE:
        for edge in sorted(record.edges, key=_beside, reverse=True):
            screen.say(f"    {harness_reports.edge_text(record.kind, edge)}")


def _beside(edge: MarginEdge) -> float:
    """Sort key of a shmoo's rows: the voltage in V, else the sample point in ns."""
    return float(edge.sample_ns) if edge.volts is None else edge.volts


def _print_counts(screen: Screen, rack: harness.Rack, records: Sequence[MarginRecord]) -> None:
    points = sum(len(record.points) for record in records)
    trials = sum(record.trials for record in records)
    screen.say(f"{len(records)} searched on {rack.name}, {points} points, {trials} trials")

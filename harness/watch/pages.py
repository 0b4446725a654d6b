"""The live page: whole for a new browser, in pieces for one that listens.

One rule: every text from the store goes through the reports' templates, which escape it; the
script only replaces pieces.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from importlib import resources

from harness.records import RunHeading, RunKind, Verdict
from harness.store import of_chip, of_design, of_slot
from harness.watch import addresses
from harness.watch.state import Overview, RackState, SlotState
from harness_reports import (
    Anchor,
    Scrubber,
    Ways,
    clock,
    file_text,
    page_environment,
    shown_pages,
)

NO_RUN = "This store has no runs yet."


@dataclass(frozen=True)
class Snapshot:
    """What a browser shows at one moment, as pieces of HTML.

    ``mark`` identifies the content, also across restarts of this program. ``said`` is what a screen
    reader announces. ``order`` changes when the cards are of another run or other slots.
    """

    title: str
    said: str
    head: str
    cards: tuple[str, ...]
    runs: str
    order: tuple[str, ...] = ()

    @property
    def mark(self) -> str:
        """The hash of the content."""
        text = "\0".join((self.title, self.said, self.head, self.runs, *self.cards, *self.order))
        return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:16]


def snapshot_of(overview: Overview) -> Snapshot:
    """Render the pieces of the page."""
    state = overview.state
    runs = _rendered("runs", _runs(overview))
    if state is None:
        return Snapshot("No run yet", NO_RUN, _rendered("empty", NO_RUN), (), runs)
    run = state.run
    pages = _report_addresses(state)
    cards = tuple(_card(run.rack, slot, pages[slot.chip.slot]) for slot in state.slots)
    return Snapshot(
        title=f"{state.phase}: {run.rack}",
        said=str(state.phase),
        head=_rendered("head", state),
        cards=cards,
        runs=runs,
        order=(run.run_id, *(slot.chip.slot for slot in state.slots)),
    )


def troubled(before: Snapshot | None, reason: str, since: datetime) -> Snapshot:
    """Say that the store cannot be read, above the last known state.

    Paths and passwords are removed from the reason.
    """
    known = before if before is not None else Snapshot("No news", "", "", (), "")
    texts = (
        f"The store has been unreadable since {clock(since)}; retrying.",
        Scrubber().text(reason),
    )
    return replace(
        known,
        title="The store cannot be read",
        said="The store cannot be read",
        head=_rendered("trouble", texts) + known.head,
    )


def live_page(snapshot: Snapshot, racks: tuple[str, ...], rack: str | None, now: datetime) -> bytes:
    """Render the whole page."""
    page = {
        "snapshot": snapshot,
        "events": addresses.rack_address(addresses.EVENTS, rack),
        "racks": tuple(Anchor(name, addresses.rack_address(addresses.HOME, name)) for name in racks)
        if len(racks) > 1
        else (),
        "rack": rack,
        "now": clock(now),
        "ways": _ways(rack or "Racks"),
    }
    return _rendered("live", page).encode("utf-8")


def message_page(title: str, text: str) -> bytes:
    """Render a page with only a message."""
    ways = _ways(title, Anchor("Racks", addresses.HOME))
    page = {"title": title, "text": Scrubber().text(text), "ways": ways}
    return _rendered("message", page).encode("utf-8")


def _ways(title: str, *above: Anchor) -> Ways:
    return Ways((*above, Anchor(title, "")), (), (Anchor("All histories", addresses.HISTORIES),))


def live_style() -> bytes:
    """Return the style sheet of these pages."""
    own = _own_file("static", "watch.css")
    return (file_text("style.css", "history.css") + "\n" + own).encode("utf-8")


def live_script() -> bytes:
    """Return the script of the live page."""
    return _own_file("static", "watch.js").encode("utf-8")


def _own_file(*names: str) -> str:
    return resources.files("harness.watch").joinpath(*names).read_text("utf-8")


def _rendered(name: str, page: object) -> str:
    return page_environment("harness.watch").get_template(f"{name}.html.jinja").render(page=page)


def _report_addresses(state: RackState) -> dict[str, str]:
    pages = shown_pages([slot.chip for slot in state.slots])
    return {slot: addresses.run_address(state.run.run_id, name) for slot, name in pages.items()}


@lru_cache(maxsize=4096)
def _card(rack: str, state: SlotState, report: str) -> str:
    """Render a slot; an unchanged one comes from the cache."""
    latest = state.latest
    links = {
        "report": report,
        "slot": addresses.history_address(of_slot(rack, state.chip.slot)),
        "chip": addresses.history_address(of_chip(state.chip.chip_serial)),
        "design": addresses.history_address(of_design(latest.design)) if latest else "",
    }
    return _rendered("slot", {"state": state, **links})


def _runs(overview: Overview) -> list[tuple[RunHeading, Anchor, str, Verdict | None]]:
    """Return each of the latest runs with its address, how it ended, and its verdict."""
    return [
        (
            run,
            Anchor(run.run_id, addresses.run_address(run.run_id)),
            _ending(run),
            overview.verdicts.get(run.run_id),
        )
        for run in overview.runs
    ]


def _ending(run: RunHeading) -> str:
    if run.finished is None:
        return "not finished"
    if not run.cancelled:
        return "finished"
    return "given up" if run.kind is RunKind.INTAKE else "stopped by hand"

"""Ways from page to page: where a page stands, and where it leads.

The one rule: a link leads to a page that is there; an empty address leaves plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.judge import NightChanges
from harness.records import ChipHeading, MarginRecord, RunHeading
from harness.store import Selection, of_chip, of_design, of_slot
from harness_reports.names import chip_name
from harness_reports.texts import minute


@dataclass(frozen=True)
class Anchor:
    """A text, and the address it leads to, or none."""

    text: str
    address: str


@dataclass(frozen=True)
class Ways:
    """Where a page stands and leads; the frame of every page shows them.

    ``trail`` goes from the rack down to the page itself, its last; places above it without an
    address are not shown. ``steps`` lead to the pages before and after it, ``pages`` elsewhere.
    """

    trail: tuple[Anchor, ...]
    steps: tuple[Anchor, ...] = ()
    pages: tuple[Anchor, ...] = ()


def nowhere(_: object) -> str:
    """Give no address."""
    return ""


@dataclass(frozen=True)
class Links:
    """Where links lead that leave the folder of a run, or of histories.

    Addresses are whole paths, or start in that folder. ``rack`` takes a rack's name, empty for all
    racks; ``run`` the id of a run; ``since`` that of an earlier run, to compare with.
    """

    rack: Callable[[str], str] = nowhere
    histories: str = ""
    subject: Callable[[Selection], str] = nowhere
    run: Callable[[str], str] = nowhere
    since: Callable[[str], str] = nowhere


NOWHERE = Links()
"""No links: pages that stand alone."""


@dataclass(frozen=True)
class Beyond:
    """What lies beyond a run's own record: links, and the runs of its rack before and after it.

    ``since`` is what the run changed against an earlier one, if that is to have a page; ``night``
    is what a night changed, which its first page begins with. Of ``margins`` those that the run
    measured are shown; they are compared with the earlier ones among them.
    """

    links: Links = NOWHERE
    before: RunHeading | None = None
    after: RunHeading | None = None
    since: NightChanges | None = None
    night: NightChanges | None = None
    margins: Sequence[MarginRecord] = ()


ALONE = Beyond()
"""Nothing: a run of which only its own pages are known."""


@dataclass(frozen=True)
class Sibling:
    """A page among others of its kind; ``bad`` says that something did not pass there."""

    name: str
    page: str
    bad: bool


def run_ways(run: RunHeading, beyond: Beyond) -> Ways:
    """Give the ways of a run's page."""
    links = beyond.links
    steps = (
        Anchor(f"{name} run, {minute(other.started)}", links.run(other.run_id))
        for name, other in (("Previous", beyond.before), ("Next", beyond.after))
        if other is not None
    )
    trail = (Anchor(run.rack, links.rack(run.rack)), Anchor(_title(run), ""))
    since = "" if beyond.before is None else links.since(beyond.before.run_id)
    pages = (
        Anchor("What changed since the previous run", since),
        Anchor("All histories", links.histories),
    )
    return Ways(trail, _there(steps), _there(pages))


def since_ways(run: RunHeading, when: str, before: Anchor, beyond: Beyond) -> Ways:
    """Give the ways of the page that compares a run with one ``before`` it, begun ``when``."""
    trail = (*_above(run, beyond.links, ""), Anchor(f"Since {when}", ""))
    return Ways(trail, _there([Anchor("The earlier run", before.address)]))


def chip_ways(
    run: RunHeading, chip: ChipHeading, chips: Sequence[Sibling], here: int, beyond: Beyond
) -> Ways:
    """Give the ways of the page of ``chips[here]``, two folders below that of the run."""
    up, links = "../../", beyond.links
    pages = (
        Anchor("History of this chip", _from(up, links.subject(of_chip(chip.chip_serial)))),
        Anchor(
            f"History of slot {chip.slot}", _from(up, links.subject(of_slot(run.rack, chip.slot)))
        ),
    )
    trail = (*_above(run, links, up), Anchor(chip_name(chip), ""))
    return Ways(trail, tuple(_beside("chip", chips, here, up)), _there(pages))


def design_ways(run: RunHeading, designs: Sequence[Sibling], here: int, beyond: Beyond) -> Ways:
    """Give the ways of the page of ``designs[here]``, one folder below that of the run."""
    up, links, name = "../", beyond.links, designs[here].name
    pages = (Anchor("History of this design", _from(up, links.subject(of_design(name)))),)
    trail = (*_above(run, links, up), Anchor(name, ""))
    return Ways(trail, tuple(_beside("design", designs, here, up)), _there(pages))


def margin_ways(
    title: str, rack: str, chips: Sequence[str], designs: Sequence[str], links: Links
) -> Ways:
    """Give the ways of a page of margins."""
    subjects = {f"History of {name}": of_chip(name) for name in chips}
    subjects |= {f"History of {name}": of_design(name) for name in designs}
    pages = [Anchor(name, links.subject(subject)) for name, subject in subjects.items()]
    above = Anchor(rack, links.rack(rack)), Anchor("Histories", links.histories)
    return Ways((*above, Anchor(title, "")), (), _there(pages))


def _above(run: RunHeading, links: Links, up: str) -> tuple[Anchor, Anchor]:
    """Give the trail down to a run, for a page below it."""
    return Anchor(run.rack, _from(up, links.rack(run.rack))), Anchor(_title(run), f"{up}index.html")


def _title(run: RunHeading) -> str:
    return f"{run.kind.capitalize()} of {minute(run.started)} UTC"


def _beside(noun: str, siblings: Sequence[Sibling], here: int, up: str) -> Iterator[Anchor]:
    """Lead to the nearest pages on either side, and to the nearest where something is wrong."""
    sides = {"Previous": siblings[:here][::-1], "Next": siblings[here + 1 :]}
    for kind, wanted in ((noun, (True, False)), (f"failing {noun}", (True,))):
        for side, others in sides.items():
            nearest = next((other for other in others if other.bad in wanted), None)
            if nearest is not None:
                yield Anchor(f"{side} {kind}: {nearest.name}", up + nearest.page)


def _there(anchors: Iterable[Anchor]) -> tuple[Anchor, ...]:
    return tuple(anchor for anchor in anchors if anchor.address)


def _from(up: str, address: str) -> str:
    """Lead to an address of the run's folder from a page that has to go ``up`` to it."""
    return address if not address or address.startswith("/") else up + address

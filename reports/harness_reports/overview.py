"""What stands on the page of a whole run, worked out before anything is rendered.

The one rule: the page stays one that a person can read, however many chips there were.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.records import SEVERITY_ORDER, ChipRecord, MarginRecord, RunRecord, Verdict
from harness.store import NightChanges
from harness_reports.looks import Fact, Look, Tally, look, tally, worst
from harness_reports.margin_history import MarginLine, lines_of_run
from harness_reports.names import chip_folders
from harness_reports.pages import run_facts, source_facts
from harness_reports.since import Since, build_since
from harness_reports.texts import many
from harness_reports.trust import chip_headline

CHIPS_SIDE_BY_SIDE = 32
"""With more chips than that a table's verdicts are counted, not set side by side."""

CHIPS_NAMED = 8
"""So many chips with one verdict of a table are named then; each chip's page has them all."""


@dataclass(frozen=True)
class Card:
    """One slot in the overview of the rack."""

    chip: ChipRecord
    look: Look
    headline: str
    tallies: tuple[Tally, ...]
    page: str


@dataclass(frozen=True)
class Group:
    """The chips that got one verdict."""

    look: Look
    cards: tuple[Card, ...]


@dataclass(frozen=True)
class Row:
    """One table over all chips; a cell is None where the chip has no such outcome."""

    design: str
    table: str
    cells: tuple[Look | None, ...]


@dataclass(frozen=True)
class Share:
    """The chips on which one table got one verdict: how many, and the first of them by name."""

    tally: Tally
    named: tuple[Card, ...]
    more: str


@dataclass(frozen=True)
class Spread:
    """One table over very many chips; PASS is counted and its chips are not named."""

    design: str
    table: str
    shares: tuple[Share, ...]


@dataclass(frozen=True)
class IndexPage:
    """The page of the whole run."""

    run: RunRecord
    look: Look
    headline: str
    since: Since | None
    cards: tuple[Card, ...]
    groups: tuple[Group, ...]
    rows: tuple[Row, ...]
    spreads: tuple[Spread, ...]
    agreed: str
    margins: tuple[MarginLine, ...]
    conditions: tuple[Fact, ...]
    sources: tuple[Fact, ...]


def build_index(
    run: RunRecord, found: NightChanges | None = None, margins: Sequence[MarginRecord] = ()
) -> IndexPage:
    """Work out the run's page: the rack, chips by verdict, and tables that differ between chips.

    What a night ``found`` changed stands first. Of ``margins`` those that the run searched are
    listed, compared with the earlier ones.
    """
    folders = chip_folders(run)
    cards = tuple(_card(chip, folders[chip.slot]) for chip in run.chips)
    verdicts = [chip.verdict for chip in run.chips]
    pages = {card.chip.chip_serial: card.page for card in cards}
    tables = [{(o.design, o.table): o.verdict for o in chip.outcomes} for chip in run.chips]
    uneven, agreed = _uneven(tables)
    side_by_side = len(cards) <= CHIPS_SIDE_BY_SIDE
    return IndexPage(
        run=run,
        look=look(worst(verdicts)),
        headline=_run_headline(verdicts),
        since=None if found is None else build_since(found, pages, run.run_id),
        cards=cards,
        groups=_groups(cards),
        rows=_rows(uneven, tables) if side_by_side else (),
        spreads=() if side_by_side else _spreads(uneven, tables, cards),
        agreed=agreed,
        margins=lines_of_run(run.run_id, margins),
        conditions=run_facts(run),
        sources=source_facts(run),
    )


def _card(chip: ChipRecord, folder: str) -> Card:
    return Card(
        chip=chip,
        look=look(chip.verdict),
        headline=chip_headline(chip),
        tallies=tally([outcome.verdict for outcome in chip.outcomes]),
        page=f"chips/{folder}/{folder}.html",
    )


def _groups(cards: Sequence[Card]) -> tuple[Group, ...]:
    groups = (
        Group(look(verdict), tuple(card for card in cards if card.look == look(verdict)))
        for verdict in SEVERITY_ORDER
    )
    return tuple(group for group in groups if group.cards)


def _run_headline(verdicts: Sequence[Verdict]) -> str:
    if not verdicts:
        return "No chip was in the rack."
    told = ", ".join(f"{item.number} {item.look.word}" for item in tally(verdicts))
    return f"{many(len(verdicts), 'chip')}: {told}."


Key = tuple[str, str]


def _uneven(found: Sequence[Mapping[Key, Verdict]]) -> tuple[list[Key], str]:
    """Name the tables that did not pass on every chip, and say a sentence on the rest."""
    keys = dict.fromkeys(key for verdicts in found for key in verdicts)
    reached = [verdicts for verdicts in found if verdicts]
    uneven = [key for key in keys if any(v.get(key) is not Verdict.PASS for v in reached)]
    return uneven, _agreed(len(keys), len(keys) - len(uneven))


def _rows(uneven: Sequence[Key], found: Sequence[Mapping[Key, Verdict]]) -> tuple[Row, ...]:
    return tuple(
        Row(*key, cells=tuple(look(v[key]) if key in v else None for v in found)) for key in uneven
    )


def _spreads(
    uneven: Sequence[Key], found: Sequence[Mapping[Key, Verdict]], cards: Sequence[Card]
) -> tuple[Spread, ...]:
    spreads = []
    for key in uneven:
        chips: dict[Verdict, list[Card]] = {}
        for card, verdicts in zip(cards, found, strict=True):
            if key in verdicts:
                chips.setdefault(verdicts[key], []).append(card)
        shares = tuple(_share(v, chips[v]) for v in SEVERITY_ORDER if v in chips)
        spreads.append(Spread(*key, shares=shares))
    return tuple(spreads)


def _share(verdict: Verdict, cards: Sequence[Card]) -> Share:
    named = () if verdict is Verdict.PASS else tuple(cards[:CHIPS_NAMED])
    hidden = len(cards) - len(named)
    more = f"and {hidden:,} more" if named and hidden else ""
    return Share(Tally(look(verdict), len(cards)), named, more)


def _agreed(tables: int, agreed: int) -> str:
    if not tables:
        return "No table was reached on any chip."
    told = many(agreed, "table") if agreed else "No table"
    return f"{told} passed on every chip that could be tested."

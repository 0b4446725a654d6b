"""The page of all histories: every chip, design and slot in a row, and how the racks did.

The one rule: what needs a look comes first.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.errors import many
from harness.records import SEVERITY_ORDER, Verdict
from harness.store import STRIP_RUNS, Selection, Standing, Standings, SubjectKind, SubjectStanding
from harness_reports.strips import Lanes, lanes
from harness_reports.texts import day
from harness_reports.ways import Anchor, Links, Ways

MAX_RACKS = 4
"""Maximum number of racks whose trends are drawn, those that ran last."""

NO_SERIAL = "no chip serial"


@dataclass(frozen=True)
class StandingsPage:
    """Rows under titles, chips first, and the trends of racks. ``more`` racks are not drawn."""

    headline: str
    groups: Mapping[str, tuple[tuple[Anchor, Standing | None], ...]]
    trends: tuple[Lanes, ...]
    more: int
    ways: Ways

    @property
    def legend(self) -> tuple[Verdict, ...]:
        """The verdicts that the strips show, worst first."""
        return in_strips(standing for rows in self.groups.values() for _, standing in rows)


def build_standings(standings: Standings, links: Links) -> StandingsPage:
    """Work out the page."""
    racks = [rack for rack in standings.racks if rack.runs]
    return StandingsPage(
        headline=_headline(one.subject for one in standings.subjects),
        groups=_groups(standings.subjects, links),
        trends=tuple(lanes(one.rack, one.runs) for one in racks[:MAX_RACKS]),
        more=len(racks[MAX_RACKS:]),
        ways=Ways((*above_histories(links), Anchor("Histories", ""))),
    )


def above_histories(links: Links) -> tuple[Anchor, ...]:
    """Give the trail down to all histories."""
    home = links.rack("")
    return (Anchor("Racks", home),) if home else ()


def _groups(
    subjects: Iterable[SubjectStanding], links: Links
) -> dict[str, tuple[tuple[Anchor, Standing | None], ...]]:
    groups: dict[str, list[tuple[Anchor, Standing | None]]] = {}
    for one in subjects:
        anchor = Anchor(one.subject.name or NO_SERIAL, links.subject(one.subject))
        groups.setdefault(_title(one.subject), []).append((anchor, one.standing))
    return {
        title: tuple(sorted(rows, key=lambda row: (*urgency(row[1]), row[0].text)))
        for title, rows in groups.items()
    }


def _headline(subjects: Iterable[Selection]) -> str:
    """``32 chips, 150 designs, 32 slots of bench.``; empty if there is none."""
    counts = Counter((subject.kind, _where(subject)) for subject in subjects)
    found = ", ".join(many(number, kind) + where for (kind, where), number in counts.items())
    return f"{found}." if found else ""


def _title(subject: Selection) -> str:
    return f"{subject.kind.capitalize()}s{_where(subject)}"


def _where(subject: Selection) -> str:
    return f" of {subject.rack}" if subject.kind is SubjectKind.SLOT else ""


def urgency(standing: Standing | None) -> tuple[int, float]:
    """Sort key: the worst state first, then the lowest pass rate; what has none comes last."""
    now = standing.now if standing is not None else None
    if standing is None or now is None:
        return len(SEVERITY_ORDER), 1.0
    return SEVERITY_ORDER.index(now), standing.rate.high


def in_strips(standings: Iterable[Standing | None]) -> tuple[Verdict, ...]:
    """Give the verdicts that these show run by run, worst first."""
    shown = {verdict for one in standings if one is not None for verdict in one.strip}
    return tuple(verdict for verdict in SEVERITY_ORDER if verdict in shown)


def change_text(standing: Standing) -> str:
    """``2026-06-04, FAIL to PASS``; ``none since 2026-06-01`` if it was always the same."""
    if standing.changed_from is None:
        changed = standing.last_changed
        return "–" if changed is None else f"none since {day(changed)}"
    return f"{day(standing.last_changed)}, {standing.changed_from} to {standing.verdict}"


def latest_text(standing: Standing) -> str:
    """``ERROR in its latest run; 2 left out``: what the verdict does not say; else empty."""
    latest = next((v for v in reversed(standing.strip) if v is not None), None)
    remarks = [f"{standing.left_out:,} left out"] if standing.left_out else []
    if latest is None and not remarks:
        return f"in none of the latest {STRIP_RUNS} runs"
    if latest is not None and not latest.judged:
        remarks.insert(0, f"{latest} in its latest run")
    return "; ".join(remarks)

"""Margins as a page of their own, for searches outside runs.

The one rule: like every page it needs no other file, and stands whole in its folder or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.errors import many
from harness.records import MarginRecord, margin_lots
from harness_reports.distribution import distributions
from harness_reports.html import page_html
from harness_reports.margin_history import MAX_PLOTS
from harness_reports.margin_view import margin_views
from harness_reports.names import safe_name
from harness_reports.secrets import Scrubber
from harness_reports.ways import NOWHERE, Links, margin_ways
from harness_reports.write import write_file


def margins_html(
    margins: Sequence[MarginRecord],
    earlier: Sequence[MarginRecord] = (),
    links: Links = NOWHERE,
) -> bytes:
    """Return a page of margins, at least one, as UTF-8; they are compared with ``earlier`` ones."""
    chips = sorted({one.chip_serial for one in margins})
    designs = sorted({one.design for one in margins})
    lots = [
        lot
        for lot in margin_lots([*earlier, *margins])
        if any(lot.place(one) is not None for one in margins)
    ]
    title = " / ".join((_counted(chips, "chip"), _counted(designs, "design")))
    page = {
        "title": title,
        "shuttle": margins[0].shuttle,
        "designs": ", ".join(designs[:4]) + (" and more" if len(designs) > 4 else ""),
        "virtual": any(one.virtual for one in margins),
        "views": margin_views(margins, earlier, lots),
        "distributions": distributions(lots, MAX_PLOTS),
        "ways": margin_ways(title, margins[0].rack, chips, designs, links),
    }
    return page_html("margin.html.jinja", page)


def _counted(names: Sequence[str], noun: str) -> str:
    """Give the only name, or their number."""
    return names[0] if len(names) == 1 else many(len(names), noun)


def write_margins(
    margins: Sequence[MarginRecord],
    folder: Path,
    earlier: Sequence[MarginRecord] = (),
    links: Links = NOWHERE,
) -> Path:
    """Write a page of margins into ``folder``, made if needed; return its path.

    ``links`` are as seen from there. Raises StoreError naming the folder and the reason.
    """
    shown = [Scrubber().record(one) for one in margins]
    known = [Scrubber().record(one) for one in earlier]
    path = folder / f"margin-{safe_name(shown[0].margin_id)}.html"
    write_file(path, margins_html(shown, known, links), folder)
    return path

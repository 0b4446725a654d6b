"""Margins as a page of their own, for searches that were no part of a run.

The one rule: like every page it needs no other file, and stands whole in its folder or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.records import MarginRecord
from harness_reports.html import page_html
from harness_reports.margin_view import MarginView, margin_views
from harness_reports.names import safe_name
from harness_reports.secrets import Scrubber
from harness_reports.texts import many
from harness_reports.write import write_file


@dataclass(frozen=True)
class MarginPage:
    """The page of the margins that were measured on one chip, or on several."""

    title: str
    shuttle: str
    headline: str
    virtual: bool
    views: tuple[MarginView, ...]


def margins_html(margins: Sequence[MarginRecord], earlier: Sequence[MarginRecord] = ()) -> bytes:
    """Return a page of margins, at least one, as UTF-8; they are compared with ``earlier`` ones."""
    return page_html("margin.html.jinja", build_margin_page(margins, earlier))


def build_margin_page(
    margins: Sequence[MarginRecord], earlier: Sequence[MarginRecord] = ()
) -> MarginPage:
    """Work the page out."""
    chips = sorted({one.chip_serial for one in margins})
    designs = sorted({one.design for one in margins})
    return MarginPage(
        title=chips[0] if len(chips) == 1 else many(len(chips), "chip"),
        shuttle=margins[0].shuttle,
        headline=f"{', '.join(designs[:4])}{' and more' if len(designs) > 4 else ''}: how far the "
        "clock can be raised, and what that leaves.",
        virtual=any(one.virtual for one in margins),
        views=margin_views(margins, earlier),
    )


def write_margins(
    margins: Sequence[MarginRecord], folder: Path, earlier: Sequence[MarginRecord] = ()
) -> Path:
    """Write a page of margins into ``folder``, which is made if need be; gives its path.

    Raises StoreError naming the folder and the reason.
    """
    shown = [Scrubber().record(one) for one in margins]
    known = [Scrubber().record(one) for one in earlier]
    path = folder / f"margin-{safe_name(shown[0].margin_id)}.html"
    write_file(path, margins_html(shown, known), folder)
    return path

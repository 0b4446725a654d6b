"""What was done by hand, kept row by row, and as a table.

One rule: the table gives the chip what it was given, in that order, and tests what was looked at.
"""

from __future__ import annotations

from dataclasses import replace

from harness.convert import Draft, drafted
from harness.hand.asked import Row, pattern_of
from harness.shuttle import Design
from harness.table import TESTING

OBSERVED = "observed"
"""The note of a row with expected values that nobody wrote: the chip answered so."""


class Kept:
    """The rows since a design was selected."""

    def __init__(self) -> None:
        self.rows: list[Row] = []

    def add(self, row: Row) -> None:
        """Keep a row; one that only tests joins the last cycle before it, as in a table."""
        if not (self.rows and row.tested and not (row.pulse or row.until)):
            self.rows.append(row)
            return
        last = self.rows.pop()
        if last.until or not last.same_levels(row) or _differ(last, row):
            self.rows += [last, row]
            return
        if last.repeat > 1:
            self.rows.append(replace(last, repeat=last.repeat - 1))
        joined = {name: getattr(last, name) | getattr(row, name) for name in TESTING}
        claimed = last.tested & ~last.observed | row.tested & ~row.observed
        observed = (last.observed | row.observed) & ~claimed
        self.rows.append(replace(last, repeat=1, **joined, observed=observed))

    @property
    def observed(self) -> bool:
        """Whether any expected value is what the chip answered."""
        return any(row.observed for row in self.rows)

    def draft(self, design: Design, remarks: tuple[str, ...]) -> Draft:
        """Return the rows as a table. Raises ValueError if nothing is tested in it."""
        if not any(row.tested for row in self.rows):
            raise ValueError("no output was read or expected, so this would be a table of no tests")
        plain = drafted(pattern_of(design, self.rows))
        rows = tuple(
            replace(cells, note=OBSERVED if row.observed else "")
            for cells, row in zip(plain.rows, self.rows, strict=True)
        )
        used = (name for name in plain.columns if any(row.cells.get(name) for row in rows))
        return Draft(tuple(used), rows, remarks).folded()


def _differ(last: Row, row: Row) -> bool:
    """Whether two rows test a pin in different ways, so that they are no single row."""
    return bool((last.expect ^ row.expect) & last.care & row.care) or bool(
        last.care & row.highz | last.highz & row.care
    )

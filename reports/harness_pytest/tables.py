"""A shuttle's tables as tests: ``vectors/shuttle.toml::crc16/check``.

One rule: a table runs in the test's setup, so that what could not be tested is an error; the test
itself gives the verdict: FAIL and UNSTABLE fail, WAIVED is an expected failure. A table that is
unconfirmed, or whose board was lost in an earlier test, is skipped.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import harness
from harness.errors import HarnessError, InputError, Location
from harness.records import Outcome
from harness_pytest import places_of


@dataclass(frozen=True, eq=False)
class Table:
    """A table in a place: its name, its file, and why its expected values are unconfirmed."""

    shuttle: harness.Shuttle
    name: str
    path: Path
    place: str
    intake: bool
    unconfirmed: str

    @property
    def id(self) -> str:
        """Name of the test; a board's place is in it, so that two workers never share a board."""
        return f"{self.name}@{self.place}" if self.place else self.name


class ShuttleFile(pytest.File):
    """A shuttle file whose tables are tests."""

    def collect(self) -> Iterator[pytest.Item]:
        """Yield every table in every place; raises CollectError with all findings."""
        places = places_of(self.config)
        try:
            shuttle = harness.load_shuttle(self.path)
        except InputError as error:
            raise self.CollectError(str(error)) from error
        if why := places.why_other(shuttle.path):
            raise self.CollectError(why)
        for finding in harness.stale_netlists(shuttle.designs):
            self.warn(pytest.PytestWarning(str(finding)))
        for place in places.names or ("",):
            for design in shuttle.designs:
                for spec in design.tables:
                    name = f"{design.name}/{spec.name}"
                    table = Table(shuttle, name, spec.path, place, spec.intake, spec.unconfirmed)
                    yield TableTest.from_parent(self, name=table.id, table=table)


class TableTest(pytest.Item):
    """One table in one place."""

    def __init__(self, *, table: Table, **others: Any) -> None:
        super().__init__(**others)
        self.table = table
        self._outcome: Outcome | None = None
        self.add_marker("harness_table")
        if table.intake:
            self.add_marker("harness_intake")

    def setup(self) -> None:
        """Run the table; what is no verdict ends the test here."""
        why = self.table.unconfirmed
        if why and not any(arg.endswith(f"::{self.name}") for arg in self.config.args):
            pytest.skip(f"its expected values are unconfirmed ({why}); name this test to run it")
        outcome = self._run()
        if isinstance(
            outcome, HarnessError
        ):  # told here, where it has no other exception before it
            pytest.fail(str(outcome), pytrace=False)
        self._outcome = outcome
        self.user_properties += [
            ("verdict", outcome.verdict.value),
            ("reason", outcome.reason.value),
            ("chip", outcome.chip_serial),
            ("table_sha256", outcome.table_sha256),
        ]
        if not outcome.verdict.judged:
            pytest.fail(harness.evidence(outcome), pytrace=False)

    def _run(self) -> Outcome | HarnessError:
        try:
            with places_of(self.config).handed(self.table.place, self.table.shuttle) as chip:
                return chip.run_table(self.table.name)
        except HarnessError as error:
            return error

    def runtest(self) -> None:
        """Give the verdict."""
        outcome = self._outcome
        assert outcome is not None, "setup ended without an outcome"
        if outcome.verdict is harness.Verdict.WAIVED:
            pytest.xfail(outcome.summary)
        if not outcome.verdict.good:
            place = Location(self.table.path, *(cycle.line for cycle in outcome.evidence[:1]))
            pytest.fail(f"{harness.evidence(outcome)}\n{place}: {outcome.verdict}", pytrace=False)

    def reportinfo(self) -> tuple[os.PathLike[str] | str, int | None, str]:
        """Return the table's file, and the test's name."""
        return self.table.path, None, self.name

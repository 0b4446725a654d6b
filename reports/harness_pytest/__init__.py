"""pytest plugin: vector tables as tests, and a chip for tests in Python.

``pytest vectors/shuttle.toml`` runs tables; the fixture ``harness_chip`` is a chip, worked by hand.
Both are virtual unless ``--harness-rack`` or ``--harness-port`` says where a board is.

One rule: pytest loads this in every run of an environment, so nothing here imports ``harness``
before a table or a chip is asked for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness import HandledChip
    from harness_pytest.places import Places

PLACES = pytest.StashKey["Places"]()
OPTIONS = (
    ("--harness-rack", "FILE", "Rack file: run on its slots, not on virtual chips."),
    ("--harness-slots", "NAMES", "With --harness-rack: only these slots, such as A1,A2."),
    ("--harness-port", "PORT", "Run on the board at this serial port or pyserial URL."),
    ("--harness-profile", "FILE", "With --harness-port: the board profile's file."),
    ("--harness-chip", "SERIAL", "With --harness-port: the chip's serial number."),
)
MARKERS = (
    "harness_table: a vector table, run by harness",
    "harness_intake: a vector table of the short test of incoming chips",
)
SHUTTLE = "harness_shuttle"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options that say where boards are."""
    group = parser.getgroup("harness", "chips and their vector tables (harness)")
    for name, metavar, text in OPTIONS:
        group.addoption(name, metavar=metavar, default="", help=text)
    parser.addini(SHUTTLE, "shuttle file of the chip in harness_chip", "string", "")


def pytest_configure(config: pytest.Config) -> None:
    """Add the markers; raises UsageError for options that do not go together."""
    for line in MARKERS:
        config.addinivalue_line("markers", line)
    config.pluginmanager.register(_Judged())
    rack, slots, port, profile, chip = (config.getoption(name) for name, *_ in OPTIONS)
    if rack and (port or profile or chip):
        raise pytest.UsageError("give --harness-rack, or --harness-port with its options, not both")
    if (profile or chip) and not port:
        raise pytest.UsageError("--harness-profile and --harness-chip go with --harness-port")
    if port and not profile:
        raise pytest.UsageError("--harness-port needs --harness-profile, the board's profile")
    if slots and not rack:
        raise pytest.UsageError("--harness-slots goes with --harness-rack")
    shared = (rack or port) and config.getoption("dist", "no") == "each"
    if shared:
        raise pytest.UsageError("--dist each would give one board to every worker")


class _Judged:
    """Counts verdicts of tables: a run in which no table gave one does not end with 0."""

    def __init__(self) -> None:
        self._tables = self._verdicts = 0

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Look at a report of this process, or of a worker of pytest-xdist."""
        if "harness_table" in report.keywords:
            self._tables += 1
            self._verdicts += report.when == "call"

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """End with the status of a run without tests."""
        if self._nothing and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.NO_TESTS_COLLECTED

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        """Say why the run does not end with 0."""
        if self._nothing and not terminalreporter.stats.keys() & {"failed", "error"}:
            terminalreporter.write_line("no table gave a verdict, so the exit status is 5")

    @property
    def _nothing(self) -> bool:
        return bool(self._tables) and not self._verdicts


def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave every board as it was found."""
    places = config.stash.get(PLACES, None)
    if places is not None:
        places.close()


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Collect the tables of a shuttle file that was named as an argument (or in testpaths)."""
    if file_path.suffix != ".toml" or not parent.session.isinitpath(file_path):
        return None
    if not _is_shuttle(file_path):
        return None
    from harness_pytest.tables import ShuttleFile  # noqa: PLC0415 - it was asked for only now

    return ShuttleFile.from_parent(parent, path=file_path)


def _is_shuttle(path: Path) -> bool:
    """Whether a file is a shuttle by its key, or by its name if it cannot be read."""
    try:
        return "designs" in tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):  # too deep for the parser
        return path.name == "shuttle.toml"


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test with ``harness_chip`` once in every place, which its id names: ``[@A1]``."""
    if "harness_chip" in metafunc.fixturenames:
        names = places_of(metafunc.config).names
        if names:
            ids = [f"@{name}" for name in names]
            metafunc.parametrize("harness_chip", names, indirect=True, ids=ids)


@pytest.fixture
def harness_chip(request: pytest.FixtureRequest) -> Iterator[HandledChip]:
    """Yield a chip, no design selected: ``harness_chip.select("ctr163")``, then set, clock, expect.

    A virtual chip is a new one in each test. ``harness.open_chip`` says what a chip can do.
    """
    places = places_of(request.config)
    with places.handed(getattr(request, "param", ""), places.shuttle(SHUTTLE)) as chip:
        yield chip


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Make what a board could not do an error, not a failure, of a test with ``harness_chip``."""
    report = yield
    if call.when == "call" and "harness_chip" in getattr(item, "fixturenames", ()):
        from harness.errors import HarnessError  # noqa: PLC0415 - loaded by the fixture

        if call.excinfo is not None and call.excinfo.errisinstance(HarnessError):
            report.when = "setup"  # pytest, JUnit and xdist all tell errors by that
    return report


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> object | None:
    """Give each board to one worker, whatever else ``--dist`` says; None where all is virtual."""
    if not (config.getoption("--harness-rack") or config.getoption("--harness-port")):
        return None
    from harness_pytest.schedule import BoardScheduling  # noqa: PLC0415 - needs xdist

    return BoardScheduling(config, log, places_of(config).names)


def places_of(config: pytest.Config) -> Places:
    """Return where chips are in this run; raises UsageError if that cannot be read."""
    if PLACES not in config.stash:
        from harness_pytest.places import Places  # noqa: PLC0415 - it was asked for only now

        config.stash[PLACES] = Places(config)
    return config.stash[PLACES]

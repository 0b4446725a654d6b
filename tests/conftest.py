"""How property tests run: freely on a desk, and with the same examples each time in CI.

A verdict of CI must not depend on luck; a person's runs go on searching for new examples.
"""

from __future__ import annotations

import gc
import os
import signal
from collections import defaultdict
from collections.abc import Generator

import pytest
from hypothesis import settings

settings.register_profile("desk", deadline=None)
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.register_profile("nightly", settings.get_profile("desk"), max_examples=1000)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

BEGAN = pytest.StashKey[float]()


def pytest_collection_finish() -> None:
    """Take back what importing ``vcdvcd`` does: a connection that breaks must not end pytest.

    What is loaded by now stays: the agent collects garbage at every turn, and would look through
    all of it, a second each time.
    """
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Note the processor time of a test so far, also of the processes that it waited for."""
    report = yield
    report.user_properties.append(("processor", sum(os.times()[:4]) - item.stash[BEGAN]))
    return report


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note when a test begins, by the processor's clock."""
    item.stash[BEGAN] = sum(os.times()[:4])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Beside the slowest tests, name the slowest files: they bound what two cores can do.

    Processor time is true also while others use the cores. That of racks is not in it.
    """
    wanted = terminalreporter.config.option.durations
    if not wanted:
        return
    seconds: dict[str, float] = defaultdict(float)
    processor: dict[str, float] = defaultdict(float)
    for reports in terminalreporter.stats.values():
        for report in reports:
            if isinstance(report, pytest.TestReport):
                name = report.nodeid.partition("::")[0]
                seconds[name] += report.duration
                if report.when == "teardown":
                    processor[name] += float(str(dict(report.user_properties)["processor"]))
    terminalreporter.section(f"slowest {wanted} files, and their processor time")
    for name, spent in sorted(seconds.items(), key=lambda item: -item[1])[:wanted]:
        terminalreporter.write_line(f"{spent:7.2f}s {processor[name]:7.2f}s {name}")

"""Boards of other hosts: whole runs through pyserial's RFC 2217 server and a bridge of plain bytes.

Each server stands for a host of its own; the run reaches both from one rack file.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from harness.records import ChipRecord, Reason, Verdict
from harness.store import Store
from tests.system.remote import Served, served
from tests.system.test_bad_boards import boards, long_table, spec
from tests.system.test_bad_input import Bench, Screen, bench
from tests.system.virtual import UPLOAD_BYTES

__all__ = ["bench"]

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
MIDDLE = UPLOAD_BYTES + 12_000
SCHEMES = ("rfc2217", "socket")


@contextmanager
def hosts(bench: Bench, cut_after: int = 0, patience_s: float = 0.5) -> Iterator[list[Served]]:
    """Two boards, each served by another kind of server, in the rack file by their URLs."""
    specs = [spec(bench, scheme, number) for number, scheme in enumerate(SCHEMES, 1)]
    with ExitStack() as stack:
        ports = stack.enter_context(boards(bench, specs, patience_s=patience_s))
        servers = [
            stack.enter_context(served(scheme, port, cut_after))
            for scheme, port in zip(SCHEMES, ports, strict=True)
        ]
        for server in servers:
            bench.edit("rack.toml", f'"{server.port}"', f'"{server.url}"')
        yield servers


def stored(bench: Bench) -> list[ChipRecord]:
    with Store.existing(bench.store) as store:
        return list(store.latest_run().chips)


def test_a_broken_connection_is_made_again_and_the_table_run_from_its_start(
    bench: Bench,
) -> None:
    long_table(bench, 15_000)
    with hosts(bench, cut_after=MIDDLE, patience_s=20) as servers:
        assert bench.run() == 0
        assert [server.connections for server in servers] == [2, 2]
    for chip, server in zip(stored(bench), servers, strict=True):
        assert (chip.verdict, chip.trouble, chip.port) == (Verdict.PASS, "", server.url)
        before, again = (outcome.summary for outcome in chip.outcomes)
        assert "lost" not in before
        assert again.endswith("The link was lost once, and the table was run again from its start.")


def test_a_host_that_goes_for_good_is_an_error_of_the_link(bench: Bench, capsys: Screen) -> None:
    long_table(bench, 15_000)
    with hosts(bench, cut_after=MIDDLE) as servers:
        for server in servers:
            server.last = True
        assert bench.run() == 3
    for chip, server in zip(stored(bench), servers, strict=True):
        before, cut = chip.outcomes
        assert (before.verdict, cut.verdict) == (Verdict.PASS, Verdict.ERROR)
        assert cut.reason is Reason.LINK_LOST
        lost = f"Could not be tested: {server.url}: the connection to the board went away; "
        assert cut.summary.startswith(lost)
        assert "check the network, and the program that serves the port" in cut.summary
        refused = "connection refused; start the program that serves the port on that host"
        assert f"It did not come back: {refused}" in cut.summary
        assert chip.trouble.startswith(f"slot {chip.slot}, port {server.url}: {refused}")

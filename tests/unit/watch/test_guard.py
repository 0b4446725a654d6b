"""Under which names the page answers."""

from __future__ import annotations

import pytest

from harness.watch.guard import KnownHosts, is_local

OURS = ["localhost", "LocalHost:8311", "127.0.0.1", "127.0.0.1:1", "[::1]", "[::1]:8311"]
STRANGE = ["", "evil.example", "evil.example:8311", "localhost.evil.example", "10.0.0.5", "[::2]:1",
           "localhost:", "localhost:port", "a b", "127.0.0.1@evil.example", "::1"]  # fmt: skip


@pytest.mark.parametrize("host", OURS)
def test_names_of_this_computer_are_accepted(host: str) -> None:
    assert KnownHosts("127.0.0.1").accept(host)


@pytest.mark.parametrize("host", STRANGE)
def test_any_other_name_is_refused(host: str) -> None:
    assert not KnownHosts("127.0.0.1").accept(host)


def test_bound_to_one_address_that_one_is_accepted_too() -> None:
    hosts = KnownHosts("10.0.0.5")
    assert hosts.accept("10.0.0.5:8311")
    assert hosts.accept("localhost:8311")
    assert not hosts.accept("10.0.0.6:8311")


def test_bound_to_all_addresses_any_in_digits_is_accepted_but_no_strange_name() -> None:
    hosts = KnownHosts("0.0.0.0")
    assert hosts.accept("10.0.0.6:8311")
    assert hosts.accept("[fe80::1]:8311")
    assert not hosts.accept("evil.example")


@pytest.mark.parametrize(
    ("host", "local"),
    [("127.0.0.1", True), ("127.0.0.9", True), ("::1", True), ("localhost", True),
     ("0.0.0.0", False), ("10.0.0.5", False), ("lab", False)],
)  # fmt: skip
def test_only_a_loopback_address_needs_no_caution(host: str, local: bool) -> None:
    assert is_local(host) is local

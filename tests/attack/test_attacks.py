"""A fixed small part of the attacks, everything that they once found, and that they can find."""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from tests.attack import worker
from tests.attack.attack import Wrong
from tests.attack.kept import Kept, read_kept
from tests.attack.kinds import KINDS
from tests.attack.worker import Result, try_case, try_seeds

SEEDS = range(8)
FEW = range(3)
"""Of kinds that take long for one."""
KEPT: dict[str, list[Kept]] = {}
for _kept in read_kept():
    KEPT.setdefault(_kept.kind, []).append(_kept)


@pytest.mark.parametrize("kind", KINDS)
def test_hostile_inputs_are_refused_or_mean_what_they_say(kind: str, tmp_path: Path) -> None:
    seeds = FEW if kind in {"wire", "liar"} else SEEDS
    results = list(try_seeds(kind, KINDS[kind](tmp_path.resolve()), seeds))
    assert [result.seed for result in results] == list(seeds)
    assert [result for result in results if result.finding] == []


@pytest.mark.parametrize("kind", KEPT)
def test_what_an_attack_once_found_does_no_harm_any_more(kind: str, tmp_path: Path) -> None:
    attack = KINDS[kind](tmp_path.resolve())
    for kept in KEPT[kind]:
        assert try_case(kind, attack, kept.case).finding == "", kept.name


def _hang() -> None:
    time.sleep(60)


def _crash() -> None:
    os.kill(os.getpid(), 9)


def _devour() -> None:
    bytearray(b"\1") * 100_000_000


def _raise() -> None:
    raise KeyError("x")


def _lie() -> None:
    raise Wrong("exit code 0 for a broken file")


class Harmful:
    """An attack of which the input 2 does harm."""

    def __init__(self, harm: Callable[[], None]) -> None:
        self.harm = harm

    def make(self, random: Random) -> bytes:
        return random.randbytes(1)

    def judge(self, case: bytes) -> str:
        if case == b"2":
            self.harm()
        return "fine"


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        (_hang, "hang or crash (1) "),
        (_crash, "hang or crash (-9) "),
        (_devour, "the process had "),
        (_raise, "KeyError at  – "),
        (_lie, "exit code 0 for a broken file"),
    ],
)
def test_harm_is_seen_and_costs_no_other_input(
    harm: Callable[[], None], told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    monkeypatch.setattr(worker, "SECONDS", 1.0)
    monkeypatch.setattr(worker, "LARGEST_KB", used + 50_000)
    found: list[Result] = list(worker._all(Harmful(harm), [(k, b"%d" % k) for k in range(5)], "x"))
    assert [result.seed for result in found] == [0, 1, 2, 3, 4]
    assert [bool(result.finding) for result in found] == [False, False, True, False, False]
    assert found[2].finding.startswith(told)


def test_an_input_that_is_kept_comes_back(tmp_path: Path) -> None:
    kept = Kept("csv", 7, "Kind: \u00e9\n", b"\0\n{}\n")
    kept.write(tmp_path)
    assert list(read_kept(tmp_path)) == [kept]

"""A fixed small part of the attacks, everything that they once found, and that they can find."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from tests.attack import __main__ as command
from tests.attack import worker
from tests.attack.attack import DIFFERENT, SAME, Wrong
from tests.attack.bundles import bundles, forged, honest_bundle
from tests.attack.kept import Kept, read_kept
from tests.attack.kinds import KINDS
from tests.attack.worker import Result, try_case, try_seeds
from tests.attack.zips import unzipped

SEEDS = range(8)
FEW = range(3)
"""Of kinds that take long for one; ``tests/system/test_bundles.py`` has those that start racks."""
KEPT: dict[str, list[Kept]] = {}
for _kept in read_kept():
    KEPT.setdefault(_kept.kind, []).append(_kept)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "replay"])
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
    bytearray(b"\1") * 300_000_000


def _raise() -> None:
    raise KeyError("x")


def _lie() -> None:
    raise Wrong("exit code 0 for a broken file")


class Harmful:
    """An attack whose input 2 does harm."""

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
        (_devour, "the process took "),
        (_raise, "KeyError at  – "),
        (_lie, "exit code 0 for a broken file"),
    ],
)
def test_harm_is_seen_and_costs_no_other_input(
    harm: Callable[[], None], told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker, "SECONDS", 1.0)
    # a fork begins without the pages of files that this process has, and takes them as it goes
    monkeypatch.setattr(worker, "LARGEST_KB", 150_000)
    found: list[Result] = list(worker._all(Harmful(harm), [(k, b"%d" % k) for k in range(5)], "x"))
    assert [result.seed for result in found] == [0, 1, 2, 3, 4]
    assert [bool(result.finding) for result in found] == [False, False, True, False, False]
    assert found[2].finding.startswith(told)


def test_an_input_that_is_kept_comes_back(tmp_path: Path) -> None:
    kept = Kept("csv", 7, "Kind: \u00e9\n", b"\0\n{}\n")
    kept.write(tmp_path)
    assert list(read_kept(tmp_path)) == [kept]


def test_an_interrupted_attack_counts_what_it_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object) -> Iterator[Result]:
        yield Result(7, "refused")
        yield Result(8, "refused")
        raise KeyboardInterrupt

    path = tmp_path / "tally.jsonl"
    arguments = ["attack", "--only", "bench", "--seed", "7", "--tally", str(path)]
    monkeypatch.setattr(sys, "argv", arguments)
    monkeypatch.setattr(command, "try_seeds", interrupted)
    assert command.main() == 130
    counted = json.loads(path.read_text("utf-8"))
    assert (counted["kind"], counted["tried"], counted["told"]) == ("bench", 2, {"refused": 2})
    assert capsys.readouterr().out == (
        "bench      tried 2: refused 2; 0.0 ms each, the slowest 0.0 s (seed 0)\n"
    )


def test_a_forged_bundle_gets_past_every_sum(tmp_path: Path) -> None:
    folder = tmp_path.resolve() / "bundle"
    folder.mkdir()
    attack, files = bundles(folder), unzipped(honest_bundle())
    assert attack.judge(forged(files)) == SAME
    table = "inputs/bcd7seg/function.csv"
    altered = {**files, table: files[table].replace(b"digit 0", b"digit O")}
    assert attack.judge(forged(altered)) == DIFFERENT

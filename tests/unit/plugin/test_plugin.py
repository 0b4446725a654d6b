"""The pytest plugin: tables and chips as tests, on netlists and on boards."""

from __future__ import annotations

import importlib
import json
import re
import shutil
from pathlib import Path

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped

import harness
from harness_pytest.schedule import BoardScheduling
from tests.system.virtual import ROOT

pytest_plugins = ["pytester"]

OWN = """
import pytest

def test_a_counter_counts(harness_chip):
    harness_chip.select("ctr163")
    harness_chip.set(load_n=1, enp=1, ent=1)
    harness_chip.clock(5)
    harness_chip.expect(q=5)

def test_a_counter_is_elsewhere(harness_chip):
    harness_chip.select("ctr163")
    harness_chip.expect(q=5)

def test_a_design_has_no_netlist(harness_chip):
    harness_chip.select("gray")

def test_plain():
    pass
"""
RACK = """
name = "bench"
shuttle = "vectors/shuttle.toml"
profile = "wader.toml"
patience_s = 0

[[slot]]
name = "A1"
port = "/dev/nowhere-1"
chip = "SP2-0001"

[[slot]]
name = "A2"
port = "/dev/nowhere-2"
chip = "SP2-0002"
"""
WAIVER = """
[[waiver]]
design = "dec138"
table = "late"
chips = []
owner = "Wilma Dunlin"
reason = "known"
ticket = "LT-12"
expiry = 2999-01-31
"""


@pytest.fixture(scope="module", autouse=True)
def loaded() -> None:
    """Load here what runs of pytest inside these tests need: what they load, they forget."""
    importlib.import_module("harness_pytest.tables")
    importlib.import_module("harness_pytest.schedule")
    harness.load_rack(ROOT / "ci" / "demo-rack.toml")
    with harness.open_chip(ROOT / "vectors") as chip:
        assert harness.evidence(chip.run_table("dec138/function"))


@pytest.fixture
def bench(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """Three designs with tables of every verdict, tests of an author's own, a rack of no boards."""
    monkeypatch.setenv("PYTEST_ADDOPTS", "-p harness_pytest -p no:randomly")
    vectors = pytester.path / "vectors"
    for name in ("ctr163", "dec138", "gray"):
        shutil.copytree(ROOT / "vectors" / name, vectors / name)
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    text = re.sub(r"(?s)designs = \[.*?\]", 'designs = ["ctr163", "dec138", "gray"]', text)
    text = re.sub(r"(?m)^pin_check.*\n", "", text)
    (vectors / "shuttle.toml").write_text(text + WAIVER, "utf-8")
    (vectors / "ctr163" / "wrong.csv").write_text("clk,q,note\nC,0,\nC,7,no\n", "utf-8")
    table = '[tables.wrong]\nfile = "wrong.csv"\n[tables.hand]\nfile = "wrong.csv"\n'
    _append(vectors / "ctr163", table + 'unconfirmed = "observed on chip SP2-0007"\n')
    (vectors / "dec138" / "late.csv").write_text("sel,y_n\n0,LLLLLLLL\n", "utf-8")
    _append(vectors / "dec138", '[tables.late]\nfile = "late.csv"\n')
    design = vectors / "gray" / "design.toml"
    design.write_text(design.read_text("utf-8").replace("netlist =", "# netlist ="), "utf-8")
    shutil.copy(ROOT / "ci" / "wader.toml", pytester.path)
    (pytester.path / "rack.toml").write_text(RACK, "utf-8")
    pytester.makeini("[pytest]\nharness_shuttle = vectors/shuttle.toml\n")
    pytester.makepyfile(test_own=OWN)
    return pytester


def _append(folder: Path, text: str) -> None:
    with (folder / "design.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + text)


def test_every_verdict_is_what_pytest_calls_it_and_says_what_the_report_says(
    bench: pytest.Pytester,
) -> None:
    result = bench.runpytest_inprocess("vectors/shuttle.toml", "-rA", "--junitxml=out.xml")
    result.assert_outcomes(passed=3, failed=1, errors=1, xfailed=1, skipped=1)
    result.stdout.fnmatch_lines_random(
        [
            "PASSED vectors/shuttle.toml::ctr163/sequence",
            "PASSED vectors/shuttle.toml::dec138/function",
            "FAILED vectors/shuttle.toml::ctr163/wrong - *",
            "XFAIL vectors/shuttle.toml::dec138/late - Known failure, waived by Wilma Dunlin*",
            "ERROR vectors/shuttle.toml::gray/count - *",
            "*Could not be run: a virtual chip has no model of this design; gray has no netlist*",
            "*its expected values are unconfirmed (observed on chip SP2-0007); name this test to*",
        ]
    )
    with harness.open_chip(bench.path / "vectors") as chip:
        evidence = harness.evidence(chip.run_table("ctr163/wrong"))
    assert len(evidence.splitlines()) > 4
    assert "What to do: Correct the table or the design; `harness rehearse` says where" in evidence
    assert "other chips" not in evidence
    assert f"{evidence}\nvectors/ctr163/wrong.csv:3: FAIL\n" in result.stdout.str()
    suite = next(iter(JUnitXml.fromfile(str(bench.path / "out.xml"))))
    cases = {case.name: case for case in suite}
    kinds = {name: {type(one) for one in case.result} for name, case in cases.items()}
    assert kinds["ctr163/sequence"] == set()
    assert kinds["ctr163/wrong"] == {Failure}
    assert kinds["dec138/late"] == kinds["ctr163/hand"] == {Skipped}
    assert {Error} in kinds.values()
    written = (bench.path / "out.xml").read_text("utf-8")
    assert '<property name="verdict" value="FAIL" />' in written
    assert '<property name="chip" value="netlist" />' in written


@pytest.mark.parametrize(
    ("words", "outcomes"),
    [
        (["-k", "ctr163 and not wrong and not hand"], {"passed": 2, "deselected": 5}),
        (["-m", "harness_intake and not slow", "-k", "dec138"], {"passed": 1, "deselected": 6}),
        (["-x", "-k", "wrong or late"], {"failed": 1, "deselected": 5}),
    ],
)
def test_tables_are_chosen_as_all_tests_are(
    bench: pytest.Pytester, words: list[str], outcomes: dict[str, int]
) -> None:
    bench.runpytest_inprocess("vectors/shuttle.toml", *words).assert_outcomes(**outcomes)


def test_an_unconfirmed_table_runs_if_it_is_named(bench: pytest.Pytester) -> None:
    result = bench.runpytest_inprocess("vectors/shuttle.toml::ctr163/hand")
    result.assert_outcomes(failed=1)


def test_a_test_of_ones_own_has_a_new_chip_and_what_the_chip_cannot_do_is_an_error(
    bench: pytest.Pytester,
) -> None:
    result = bench.runpytest_inprocess("test_own.py", "-rA")
    result.assert_outcomes(passed=2, failed=1, errors=1)
    result.stdout.fnmatch_lines(
        [
            "test_own.py:11: AssertionError",
            "ERROR test_own.py::test_a_design_has_no_netlist - *",
            "FAILED test_own.py::test_a_counter_is_elsewhere - *",
        ]
    )
    assert "hand/chip.py" not in result.stdout.str()


@pytest.mark.parametrize(
    ("words", "outcomes"),
    [
        ([], {"passed": 1}),
        (["-o", "harness_shuttle=", "--rootdir=vectors"], {"passed": 1}),
        (["-o", "harness_shuttle="], {"errors": 1}),
    ],
    ids=["the shuttle of the settings", "shuttle.toml in the root folder", "none"],
)
def test_the_test_of_the_guide_passes(
    bench: pytest.Pytester, words: list[str], outcomes: dict[str, int]
) -> None:
    guide = (ROOT / "vectors" / "README.md").read_text("utf-8")
    (block,) = re.findall(r"(?ms)^```python\n(# test_counter\.py.*?)^```", guide)
    bench.makepyfile(test_counter=block)
    bench.runpytest_inprocess("test_counter.py", *words).assert_outcomes(**outcomes)


@pytest.mark.parametrize(
    ("words", "code"),
    [(["-k", "hand"], 5), (["test_own.py", "-k", "hand or plain"], 5), (["-k", "hand or late"], 0)],
    ids=["no table", "no table, but another test", "one is waived"],
)
def test_a_run_in_which_no_table_gave_a_verdict_does_not_end_with_0(
    bench: pytest.Pytester, words: list[str], code: int
) -> None:
    result = bench.runpytest_inprocess("vectors/shuttle.toml", *words)
    assert (result.parseoutcomes()["skipped"], result.ret) == (1, code)
    said = "no table gave a verdict, so the exit status is 5" in result.stdout.lines
    assert said == (code == 5)


def test_an_unusable_netlist_is_an_error_and_an_unreadable_shuttle_too(
    bench: pytest.Pytester,
) -> None:
    netlist = bench.path / "vectors" / "ctr163" / "netlist.json"
    netlist.write_text(netlist.read_text("utf-8").replace('"q"', '"queue"'), "utf-8")
    result = bench.runpytest_inprocess("vectors/shuttle.toml::ctr163/sequence")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*ctr163/netlist.json cannot be used: *"])
    shuttle = bench.path / "vectors" / "shuttle.toml"
    shuttle.write_text(shuttle.read_text("utf-8").replace("name =", "nome ="), "utf-8")
    result = bench.runpytest_inprocess("vectors/shuttle.toml")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*shuttle.toml* error [[]missing-key[]]*"])


def test_a_board_that_cannot_be_reached_is_one_error_and_the_rest_is_skipped(
    bench: pytest.Pytester,
) -> None:
    words = ("vectors/shuttle.toml", "test_own.py", "--harness-rack=rack.toml", "-k", "A1 or plain")
    result = bench.runpytest_inprocess(*words, "-rA")
    result.assert_outcomes(passed=1, errors=1, skipped=9, deselected=10)
    result.stdout.fnmatch_lines_random(
        [
            "ERROR vectors/shuttle.toml::ctr163/sequence@A1 - *",
            "/dev/nowhere-1: there is no such port; is the board plugged in? *",
            "*not run: the board could not be used: /dev/nowhere-1: *",
        ]
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--harness-port=COM3"], "--harness-port needs --harness-profile, the board's profile"),
        (["--harness-chip=1"], "--harness-profile and --harness-chip go with --harness-port"),
        (["--harness-slots=A1"], "--harness-slots goes with --harness-rack"),
        (
            ["--harness-rack=rack.toml", "--harness-port=COM3"],
            "give --harness-rack, or --harness-port with its options, not both",
        ),
        (
            ["--harness-rack=rack.toml", "--harness-slots=B1", "test_own.py"],
            'no slot "B1" in bench; use A1, A2',
        ),
    ],
)
def test_options_that_do_not_go_together(
    bench: pytest.Pytester, words: list[str], message: str
) -> None:
    result = bench.runpytest_inprocess(*words)
    assert message in result.stdout.str() + result.stderr.str()
    assert result.ret in {pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.INTERRUPTED}


def test_a_run_that_asks_for_no_chip_does_not_load_the_tool(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        "import sys\n"
        "def test_what_is_loaded(pytestconfig):\n"
        "    assert pytestconfig.pluginmanager.hasplugin('harness_pytest')\n"
        "    loaded = {name.partition('.')[0] for name in sys.modules}\n"
        "    assert not loaded & {'harness', 'harness_reports', 'numpy', 'numba'}\n"
    )
    (pytester.path / "shuttle.toml").write_text("designs = []\n")  # nobody names it
    result = pytester.runpytest_subprocess("-p", "harness_pytest")
    result.assert_outcomes(passed=1)


NOTES = """
import json, os
from pathlib import Path

def pytest_runtest_logreport(report):
    if report.when == "setup" and "PYTEST_XDIST_WORKER" in os.environ:
        with Path("notes.txt").open("a") as file:
            file.write(json.dumps([os.environ["PYTEST_XDIST_WORKER"], report.nodeid]) + chr(10))
"""


@pytest.mark.parametrize(
    ("dist", "scopes"),
    [
        ("load", ["@A1", "@A1", "@A2", "t.py::C::test_d[1]"]),
        ("loadscope", ["@A1", "@A1", "@A2", "t.py::C"]),
        ("loadfile", ["@A1", "@A1", "@A2", "t.py"]),
    ],
)
def test_all_tests_of_a_board_are_one_scope_and_the_others_go_as_dist_says(
    pytester: pytest.Pytester, dist: str, scopes: list[str]
) -> None:
    config = pytester.parseconfig("--tx=2*popen", f"--dist={dist}")
    dealt = BoardScheduling(config, None, ("A1", "A2"))
    names = ["s.toml::crc16/check@A1", "t.py::test_b[2-@A1]", "t.py::test_c[@A2-x]"]
    assert [dealt._split_scope(name) for name in (*names, "t.py::C::test_d[1]")] == scopes


@pytest.mark.nightly
@pytest.mark.parametrize("slots", [("A1", "A2"), ("A1",)])
def test_two_workers_never_share_a_board(bench: pytest.Pytester, slots: tuple[str, ...]) -> None:
    bench.makeconftest(NOTES)
    words = ("--harness-rack=rack.toml", f"--harness-slots={','.join(slots)}", "-n2")
    result = bench.runpytest_subprocess("vectors/shuttle.toml", "test_own.py", *words)
    skipped = 9 * len(slots)
    result.assert_outcomes(passed=1, errors=len(slots), skipped=skipped)
    lines = (bench.path / "notes.txt").read_text("utf-8").splitlines()
    noted = [json.loads(line) for line in lines]
    workers = {slot: {w for w, test in noted if f"@{slot}" in test} for slot in slots}
    assert all(len(one) == 1 for one in workers.values())
    assert len({w for w, _ in noted}) == 2, "whatever is not on that board is for the other worker"


def test_every_board_to_every_worker_is_refused(bench: pytest.Pytester) -> None:
    result = bench.runpytest_subprocess("--harness-rack=rack.toml", "--dist=each", "--tx=2*popen")
    result.stderr.fnmatch_lines(["ERROR: --dist each would give one board to every worker"])

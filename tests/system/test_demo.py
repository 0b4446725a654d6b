"""``harness demo``: its files, wherever the tool is installed, and the verdicts of its chips."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

import harness
from harness.cli import main
from harness.errors import ConfigError

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what a wheel installs."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(folder / "site")
    return folder / "site"


def python(installed: Path, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run Python outside the clone, with the installed tool and a user's own ``reports``."""
    (folder / "reports").mkdir()
    for name in ("reports.py", "reports/__init__.py"):
        (folder / name).write_text('raise SystemExit("the reports of somebody else")\n')
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_a_wheel_brings_the_demo_beside_a_users_own_reports(
    installed: Path, tmp_path: Path
) -> None:
    program = (
        "import harness\n"
        "print(harness.__file__)\n"
        "copy = harness.copy_demo('demo')\n"
        "print(copy.written, harness.check(['demo']))\n"
        "print(harness.load_rack(copy.rack).shuttle.name)\n"
    )
    done = python(installed, tmp_path, "-c", program)
    assert done.stderr == ""
    ours = [path for path in (ROOT / "vectors").rglob("*") if path.is_file()]
    files = len([path for path in ours if "__pycache__" not in path.parts]) + 2
    assert done.stdout == f"{installed}/harness/__init__.py\n{files} []\nSandpiper 2\n"
    for name in ("ci/demo-rack.toml", "vectors/crc16/crc16.v"):
        assert (tmp_path / "demo" / name).read_bytes() == (ROOT / name).read_bytes()


@pytest.mark.nightly
def test_pytest_runs_tables_from_a_wheel(installed: Path, tmp_path: Path) -> None:
    words = ("-q", "-rA", "--rootdir", str(tmp_path))
    table = ROOT / "vectors" / "shuttle.toml"
    done = python(installed, tmp_path, "-m", "pytest", *words, f"{table}::dec138/function")
    assert done.returncode == 0, done.stdout
    assert "1 passed" in done.stdout
    plain = tmp_path / "plain"
    plain.mkdir()
    (plain / "test_plain.py").write_text(
        "import sys\n"
        "def test_what_is_loaded(pytestconfig):\n"
        "    assert pytestconfig.pluginmanager.hasplugin('harness_pytest')\n"
        "    assert not sys.modules.keys() & {'harness', 'harness_reports', 'numpy'}\n"
    )
    done = python(installed, plain, "-m", "pytest", "-q", "--rootdir", str(plain), "test_plain.py")
    assert done.returncode == 0, done.stdout


@pytest.mark.nightly
def test_the_whole_demo_runs_from_a_wheel(installed: Path, tmp_path: Path) -> None:
    done = python(installed, tmp_path, "-m", "harness", "demo")
    assert (done.stderr, done.returncode) == ("", 0)
    assert done.stdout.count("  as expected; ") == 6


def demo(folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Run the demo on one design: a defect and an open pin that it is about."""
    whole: Any = harness.run

    def short(rack: Any, store: Any, _: object, *rest: Any, **more: Any) -> Any:
        return whole(rack, store, ["crc16"], *rest, **more)

    monkeypatch.setattr(harness, "run", short)
    return main(["demo", str(folder)])


@pytest.mark.slow
def test_the_demo_says_what_each_chip_deserves_and_got(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "new"
    assert demo(folder, monkeypatch) == 0
    told = capsys.readouterr().out
    assert told.startswith(
        f"Copied the demo's files into {folder}: vectors/, ci/wader.toml and ci/demo-rack.toml.\n"
        "\n"
        f"Running every table on every chip of the virtual rack {folder}/ci/demo-rack.toml …\n"
    )
    assert "  A2  SP2-0002  PASS   as expected; nothing is wrong with chip or board\n" in told
    assert (
        "  A3  SP2-0003  FAIL   as expected; the chip is defective: its report names design, "
        "cycle and pin\n"
    ) in told
    assert (
        "  A5  SP2-0005  ERROR  as expected; the board has a bad connection, so the chip was not "
        "judged\n"
    ) in told
    (index,) = (folder / "runs").glob("2*/index.html")
    grades = folder / "runs" / "grade.html"
    assert (
        f"\nStart reading here: {index.as_uri()}\n"
        f"What the tables would not notice: {grades.as_uri()}\n"
    ) in told
    assert "crc16: fault coverage 89.1 % (stuck-at)" in grades.read_text("utf-8")
    page = (index.parent / "chips" / "SP2-0003" / "SP2-0003.html").read_text("utf-8")
    assert "Suspects inside crc16 (A3, SP2-0003)" in page
    assert "rem[9] stuck at 1, or 4 more that these tables cannot tell from it" in page
    rack = (folder / "ci/demo-rack.toml").read_text("utf-8")
    (folder / "ci/demo-rack.toml").write_text(rack.replace("rem[9]", "rem[8]"), "utf-8")
    assert main(["demo", str(folder)]) == 2
    assert capsys.readouterr().err == (
        f"harness: {folder}/ci/demo-rack.toml: error [file-differs] exists, and is not the "
        "demo's; name a new folder, or move this file away\n"
    )


def test_a_copy_that_is_there_is_left_alone_and_another_file_not_overwritten(
    tmp_path: Path,
) -> None:
    first = harness.copy_demo(tmp_path)
    assert first.written > 100
    assert harness.copy_demo(tmp_path).written == 0
    (tmp_path / "vectors/shuttle.toml").unlink()
    (tmp_path / "vectors/shuttle.toml").mkdir()
    with pytest.raises(ConfigError, match="exists, and is not the demo's"):
        harness.copy_demo(tmp_path)


def test_in_a_clone_the_demo_runs_on_the_clones_own_files() -> None:
    assert harness.copy_demo(ROOT).written == 0

"""``harness intake`` as a person meets it: a real terminal, virtual boards, cards in a browser."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from axe_core_python.base import AXE_SCRIPT
from PIL import Image
from selenium import webdriver

from harness.cli import ExitCode
from harness.intake import ChipIntake
from harness.records import Verdict
from harness.store import Store
from harness_reports.card import card_html, label_html
from tests.system.browser import CHROMIUM, DRIVER, MISSING, show, started
from tests.system.virtual import few_designs
from tests.unit.reports.intakes import almost_crowded, wordy_hand_out, wordy_hold

ROOT = Path(__file__).resolve().parents[2]
DESIGNS = ("secded", "prio148", "ctr163", "lfsr", "uart", "crc16")
SLOT = '[[slot]]\nname = "A{n}"\nport = "virtual"\nboard = "WB-0{n}"\nchip = "SP2-000{n}"\n'
BAD_CHIP = '[[slot.defect]]\nkind = "net-stuck"\ndesign = "crc16"\nnet = "rem[9]"\nlevel = 0\n'
LOOSE = '[[slot.board_fault]]\nkind = "open-pin"\npin = "{pin}"\nloose = true\n'
LOOKED = ("yes", "yes", "yes", "yes", "yes", "42")
"""Answers up to the supply current."""


def tray(folder: Path) -> Path:
    """Three chips on six designs: a good one, a bad one, and one that is badly seated."""
    few_designs(folder, *DESIGNS)
    head = f'shuttle = "vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
    seats = "".join(LOOSE.format(pin=pin) for pin in ("in4", "out3"))
    slots = (
        SLOT.format(n=1)
        + "supply_ma = 41.5\n"
        + SLOT.format(n=2)
        + BAD_CHIP
        + SLOT.format(n=3)
        + seats
    )
    path = folder / "tray.toml"
    path.write_text(head + slots)
    return path


class Terminal:
    """A process on a pseudo-terminal, and what it has shown so far."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self._side, other = os.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "harness", "intake", str(folder / "tray.toml"), *arguments],
            cwd=folder,
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
            # Without LINES a dumb terminal has 80 columns, whatever COLUMNS says.
            env={**os.environ, "TERM": "dumb", "COLUMNS": "200", "LINES": "50"}
            | {"PYTHONPATH": str(ROOT)},
        )
        os.close(other)
        self.shown = ""

    def wait_for(self, text: str, seconds: float = 120) -> str:
        """Wait until the text is shown; gives what came before it since the last wait."""
        until = time.monotonic() + seconds
        while text not in self.shown:
            assert time.monotonic() < until, f"no {text!r} in:\n{self.shown}"
            assert self._read(), f"ended without {text!r}:\n{self.shown}"
        before, _, self.shown = self.shown.partition(text)
        return before

    def answer(self, *replies: str) -> None:
        """Answer the next questions."""
        for reply in replies:
            self.wait_for("]: ")
            os.write(self._side, reply.encode() + b"\n")

    def press(self, number: signal.Signals) -> int:
        """Send a signal to all of the terminal's processes; gives the exit code."""
        os.killpg(self._process.pid, number)
        return self.end()

    def end(self, seconds: float = 120) -> int:
        """Read until the process ends; returns its exit code."""
        until = time.monotonic() + seconds
        while self._read():
            assert time.monotonic() < until, f"still there after:\n{self.shown}"
        return self._process.wait(60)

    def close(self) -> None:
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
        os.close(self._side)

    def _read(self) -> bool:
        ready, _, _ = select.select([self._side], [], [], 1.0)
        if not ready:
            return True
        try:
            data = os.read(self._side, 65536)
        except OSError:
            return False
        self.shown += data.decode("utf-8", "replace")
        return bool(data)


@contextmanager
def terminal(folder: Path, *arguments: str) -> Iterator[Terminal]:
    opened = Terminal(folder, *arguments)
    try:
        yield opened
    finally:
        opened.close()


@pytest.fixture(scope="module")
def cards() -> Iterator[Path]:
    """The folder of cards after an intake that Ctrl-C and a kill interrupted."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tray(folder)
        with terminal(folder) as person:
            person.answer("Ada <b>Example</b>", "yes", "yes", "skip", "the lamp is broken", "yes")
            person.wait_for("rail indicators light")
            assert person.press(signal.SIGINT) == ExitCode.NOT_TESTED
        with terminal(folder) as person:
            person.answer("")
            person.wait_for("Nothing broken: skipped, the lamp is broken")
            person.wait_for("switched off and unplugged while you inspect")
            person.wait_for("Has the chip been off its board, or its supply off, since then")
            person.answer("no", "yes")
            person.wait_for("41.5 mA of at most 150 mA, measured by the board")
            person.answer("SP2-0001", "", "", "")
            first = person.wait_for(": PASS") + ": PASS"
            person.press(signal.SIGKILL)
            first += person.shown
        with terminal(folder) as person:
            person.answer("Grace Example", "no", "")
            second = person.wait_for("Hand-out card of SP2-0001")
            assert second.count(": PASS") == len(DESIGNS) - first.count(": PASS")
            person.answer("yes", "aside")
            person.wait_for("SP2-0002 is put aside")
            person.answer(*LOOKED, "SP2-0003", "", "")
            person.wait_for("suspected: in4, out3; 0 of 26 pins proven")
            person.wait_for("unplug the board before you touch the chip")
            person.answer("reseated", "yes", "42", "")
            person.wait_for("26 of 26 pins reach the chip; passed after reseating once")
            person.answer("")
            person.wait_for("Hand-out card of SP2-0003")
            person.wait_for("Chip 2 of 3: SP2-0002")
            person.wait_for("Undamaged on arrival: done, yes")
            person.answer(*LOOKED[1:], "SP2-0002", "", "", "")
            person.wait_for("crc16/check is FAIL, 5 more to run")
            person.answer("stop", "end")
            person.wait_for("Hold card of SP2-0002")
            assert person.end() == ExitCode.CHIP_FAILED
        (run,) = [path for path in (folder / "runs").glob("2*") if path.is_dir()]
        yield run / "cards"


def test_only_the_chip_that_passed_has_a_hand_out_card(cards: Path) -> None:
    names = sorted(
        path.name for path in cards.iterdir() if re.search("(handout|hold).html", path.name)
    )
    assert names == ["SP2-0001-handout.html", "SP2-0002-hold.html", "SP2-0003-handout.html"]


def test_a_card_tells_who_what_and_what_was_skipped(cards: Path) -> None:
    text = (cards / "SP2-0001-handout.html").read_text()
    assert "Ada &lt;b&gt;Example&lt;/b&gt;, Grace Example" in text
    assert "Grace Example" in (cards / "SP2-0003-handout.html").read_text()
    assert "Ada" not in (cards / "SP2-0003-handout.html").read_text()
    assert "the lamp is broken" in text
    assert "crc16 / check" in (cards / "SP2-0002-hold.html").read_text()
    assert "5 intake tables were not run" in (cards / "SP2-0002-hold.html").read_text()


def test_a_chip_that_was_badly_seated_has_both_pin_checks_on_its_card(cards: Path) -> None:
    text = (cards / "SP2-0003-handout.html").read_text()
    assert "26 of 26 pins reach the chip; passed after reseating once" in text
    assert "Pin check, try 1" in text
    assert "suspected: in4, out3; 0 of 26 pins proven" in text


def test_nothing_was_measured_twice_and_every_outcome_is_kept(cards: Path) -> None:
    with Store.existing(cards.parents[1] / "harness.sqlite") as store:
        assert len(store.runs()) == 1
        run = store.latest_run()
    good = run.chips[0]
    assert {outcome.verdict for outcome in good.outcomes} == {Verdict.PASS}
    assert len(good.outcomes) == len(DESIGNS)
    assert run.finished is not None


def test_the_cause_of_a_defective_chip_has_suspects_inside_its_design(cards: Path) -> None:
    with Store.existing(cards.parents[1] / "harness.sqlite") as store:
        run = store.latest_run()
    (found,) = (one for cause in run.causes for one in cause.suspects)
    assert (found.chip, found.design) == ("SP2-0002", "crc16")
    assert found.suspects[0].name == "rem[9] stuck at 0"


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    if not (CHROMIUM and DRIVER):
        pytest.skip(MISSING)
    with started() as driver:
        yield driver


@pytest.mark.parametrize("end", ["handout.html", "handout-label.html"])
def test_an_independent_reader_finds_serial_run_and_the_reports_hash_in_the_code(
    browser: webdriver.Chrome, cards: Path, end: str, tmp_path: Path
) -> None:
    show(browser, cards / f"SP2-0001-{end}", (800, 1100), scale=2)
    browser.save_screenshot(str(tmp_path / "card.png"))
    with Image.open(tmp_path / "card.png") as picture:
        (code,) = zxingcpp.read_barcodes(picture)
    report = cards / "SP2-0001-report.html"
    digest = hashlib.sha256(report.read_bytes()).hexdigest()
    run = cards.parent.name
    assert code.text == f"chip SP2-0001\nrun {run}\nreport sha256:{digest}"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_core_finds_nothing_on_any_card_or_label(
    browser: webdriver.Chrome, cards: Path, scheme: str
) -> None:
    for page in sorted(cards.glob("*-h*.html")):
        show(browser, page, (800, 1100), scheme)
        browser.execute_script(AXE_SCRIPT)
        found: dict[str, Any] = browser.execute_async_script(
            "const done = arguments[arguments.length - 1]; axe.run().then(done);"
        )
        assert len(found["passes"]) > 5
        assert [(page.name, v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []


SIZES = {".html": (595, 842), "-label.html": (255, 108)}
"""A4 (ISO 216), and 90 mm by 38 mm, in points."""


def sheets(browser: webdriver.Chrome, page: Path) -> list[tuple[int, int]]:
    """The size in points of every sheet that a page prints on."""
    show(browser, page, (800, 1100))
    options = {"preferCSSPageSize": True, "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    return [(round(float(width)), round(float(height))) for width, height in boxes]


def test_every_card_and_label_prints_on_one_sheet_of_its_size(
    browser: webdriver.Chrome, cards: Path
) -> None:
    pages = sorted(cards.glob("*-h*.html"))
    assert len(pages) == 6
    for page in pages:
        end = "-label.html" if page.name.endswith("-label.html") else ".html"
        assert sheets(browser, page) == [SIZES[end]], page.name


@pytest.mark.parametrize("worst", [wordy_hold(), wordy_hand_out(), almost_crowded()])
def test_the_longest_texts_that_people_type_still_print_on_one_sheet(
    browser: webdriver.Chrome, tmp_path: Path, worst: ChipIntake
) -> None:
    (tmp_path / "card.html").write_bytes(card_html(worst))
    (tmp_path / "label.html").write_bytes(label_html(worst))
    assert sheets(browser, tmp_path / "card.html") == [SIZES[".html"]]
    assert sheets(browser, tmp_path / "label.html") == [SIZES["-label.html"]]

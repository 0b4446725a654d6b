"""The map of a run in a real browser: filter, order, keys, links that keep them, and paper."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from harness.records import Candidate, CauseKind
from harness.store import Standings, SubjectStanding, of_chip, of_design
from harness.store.lines import standing_of
from harness_reports import Links, subjects_html
from harness_reports.html import index_html
from tests.system.browser import CHROMIUM, DRIVER, MISSING, show, started
from tests.unit.reports.samples import chip, failed, passed, run_of, unstable
from tests.unit.reports.test_causes import OPEN, RUN
from tests.unit.store.nights import night

pytestmark = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason=MISSING)

DESIGNS = [f"design{k}" for k in range(200)]
PASSED, FAILED = passed(), failed()
WRONG = {("SP2-0003", "design17"): FAILED, ("SP2-0031", "design120"): unstable()}
ALIKE = "design40"


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with started() as driver:
        yield driver


def big_page(path: Path, designs: Sequence[str] = DESIGNS) -> Path:
    """48 chips × 200 designs: a failing one, an unstable one, and one that fails on all chips."""
    chips = []
    for number in range(48):
        slot, serial = f"S{number:02}", f"SP2-{number:04}"
        outcomes = []
        for design in designs:
            outcome = FAILED if design == ALIKE else WRONG.get((serial, design), PASSED)
            outcomes.append(replace(outcome, design=design, slot=slot, chip_serial=serial))
        chips.append(chip(slot, serial, *outcomes))
    path.write_bytes(index_html(run_of(*chips).overview))
    return path


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return big_page(tmp_path_factory.mktemp("map") / "index.html")


def shown(browser: webdriver.Chrome, what: str) -> list[str]:
    """Texts of the map's heads that are visible."""
    texts: list[str] = browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].filter(e => !e.closest('[hidden]'))"
        ".map(e => e.textContent.trim())",
        what,
    )
    return texts


ROWS, HEADS = ".map tbody th", ".map thead th[data-find]"


def fill(browser: webdriver.Chrome, text: str, verdict: str = "") -> float:
    """Filter as a person would, and return the milliseconds until the page was laid out."""
    milliseconds: float = browser.execute_script(
        "const [text, verdict] = arguments, began = performance.now();"
        "document.getElementById('find-verdict').value = verdict;"
        "const field = document.getElementById('find-text');"
        "field.value = text; field.dispatchEvent(new Event('input'));"
        "document.body.getBoundingClientRect(); return performance.now() - began",
        text,
        verdict,
    )
    return milliseconds


def test_a_word_finds_designs_or_chips_and_a_verdict_what_has_it(
    browser: webdriver.Chrome, page: Path
) -> None:
    show(browser, page, (1600, 900))
    assert shown(browser, ROWS)[:3] == [ALIKE, "design17", "design120"]
    assert (len(shown(browser, ROWS)), len(shown(browser, HEADS))) == (200, 48)
    fill(browser, "sign17")
    assert shown(browser, ROWS) == [
        "design17", *(f"design{k}" for k in (170, 171, 172, 173, 174, 175, 176, 177, 178, 179))
    ]  # fmt: skip
    assert len(shown(browser, HEADS)) == 48
    fill(browser, "0031")
    assert shown(browser, HEADS) == ["S31 SP2-0031"]
    assert len(shown(browser, ROWS)) == 200
    fill(browser, "", "unstable")
    assert shown(browser, ROWS) == ["design120"]
    assert shown(browser, "li.card h3") == []
    fill(browser, "", "bad")
    assert shown(browser, ROWS) == [ALIKE, "design17", "design120"]
    assert browser.find_element(By.ID, "find-count").text == "3 designs shown"


def test_rows_out_of_sight_are_left_out_while_a_filter_changes_and_laid_out_soon_after(
    browser: webdriver.Chrome, page: Path
) -> None:
    show(browser, page, (1600, 900))
    laid_out = (
        "return document.querySelector('.map tbody tr:last-child th')"
        ".checkVisibility({contentVisibilityAuto: true})"
    )
    assert browser.execute_script(laid_out)
    fill(browser, "sign17")
    fill(browser, "")
    assert not browser.execute_script(laid_out)
    WebDriverWait(browser, 30).until(lambda _: browser.execute_script(laid_out))


@pytest.mark.parametrize("text", ["", "sign17"])
def test_rows_in_sight_are_laid_out_at_once_wherever_the_map_was_scrolled_to(
    browser: webdriver.Chrome, page: Path, text: str
) -> None:
    show(browser, page, (1600, 900))
    fill(browser, "design1")
    browser.execute_script("document.querySelector('.map-frame').scrollTop = 1e6")
    # A person sees the map scrolled before changing a filter: let the browser draw that.
    browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    blank = (
        "document.getElementById('find-text').value = arguments[0];"
        "document.getElementById('find-text').dispatchEvent(new Event('input'));"
        "const frame = document.querySelector('.map-frame').getBoundingClientRect();"
        "return [...document.querySelectorAll('.map tbody tr')].filter((row) => {"
        "  const box = row.getBoundingClientRect();"
        "  return box.height && box.bottom > frame.top && box.top < frame.bottom"
        "    && !row.cells[0].checkVisibility();"
        "}).length"
    )
    assert browser.execute_script(blank, text) == 0


def test_a_verdict_finds_causes_too_and_they_are_counted(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    flaky = Candidate(CauseKind.FLAKY_CONTACT, ("in3",), "", "", "", 1.0)
    run = replace(RUN, causes=(OPEN, replace(OPEN, key="A1:2", candidates=(flaky,))))
    path = tmp_path / "index.html"
    path.write_bytes(index_html(run.overview))
    show(browser, path, (1600, 900))
    count = browser.find_element(By.ID, "find-count")
    assert count.text == "3 designs, 2 causes shown"
    fill(browser, "", "unstable")
    assert [text.split()[0] for text in shown(browser, ".cause h3")] == ["A1:2"]
    assert count.text == "0 designs, 1 cause shown"


def test_a_link_keeps_the_filter_and_the_order(browser: webdriver.Chrome, page: Path) -> None:
    show(browser, f"{page.as_uri()}#find?find=design1&order=name", (1600, 900))
    assert shown(browser, ROWS)[:3] == ["design1", "design10", "design11"]
    fill(browser, "uart & co")
    assert browser.current_url.endswith("#find?find=uart+%26+co&order=name")
    assert shown(browser, ROWS) == []


def test_keys_step_through_what_did_not_pass(browser: webdriver.Chrome, page: Path) -> None:
    show(browser, page, (1600, 900))
    body = browser.find_element(By.TAG_NAME, "body")

    def focused() -> str:
        return browser.switch_to.active_element.get_attribute("title") or ""

    body.send_keys("j")
    assert focused().startswith(f"{ALIKE} on ")
    browser.switch_to.active_element.send_keys("j")
    assert focused() == "design17 on SP2-0003: FAIL"
    browser.switch_to.active_element.send_keys("k")
    assert focused().startswith(f"{ALIKE} on ")
    browser.switch_to.active_element.send_keys("/")
    assert browser.switch_to.active_element.get_attribute("id") == "find-text"
    browser.switch_to.active_element.send_keys("jk" + Keys.BACKSPACE)
    assert browser.find_element(By.ID, "find-text").get_attribute("value") == "j"


def test_without_the_script_everything_is_shown_and_no_control_is(
    browser: webdriver.Chrome, page: Path
) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        show(browser, page, (1600, 900))
        assert not browser.find_element(By.ID, "find").is_displayed()
        assert len(browser.find_elements(By.CSS_SELECTOR, ".map tbody tr")) == 200
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_heads_and_first_column_stay_while_the_map_is_scrolled(
    browser: webdriver.Chrome, page: Path
) -> None:
    show(browser, page, (800, 600))
    places: list[float] = browser.execute_script(
        "const f = document.querySelector('.map-frame'); f.scrollTop = 2000; f.scrollLeft = 300;"
        "const at = (q) => document.querySelector(q).getBoundingClientRect();"
        "const frame = f.getBoundingClientRect();"
        "return [at('.map thead th[data-find]').top - frame.top,"
        " at('.map tbody tr:nth-child(90) th').left - frame.left]"
    )
    assert all(abs(place) < 3 for place in places)


def test_targets_are_at_least_24_pixels(browser: webdriver.Chrome, page: Path) -> None:
    """WCAG 2.2, success criterion 2.5.8, which the axe-core of the tests does not check."""
    show(browser, page, (1600, 900))
    sizes: list[list[float]] = browser.execute_script(
        "return [...document.querySelectorAll('.map a')].map(e => e.getBoundingClientRect())"
        ".map(r => [r.width, r.height])"
    )
    assert len(sizes) > 9600
    assert min(min(size) for size in sizes) >= 24


def test_no_sheet_of_paper_lacks_a_chip(browser: webdriver.Chrome, tmp_path: Path) -> None:
    """How many designs there are is no matter: they only make the map longer."""
    show(browser, big_page(tmp_path / "index.html", DESIGNS[:60]), (1600, 900))
    printed: dict[str, Any] = browser.execute_cdp_cmd(
        "Page.printToPDF", {"printBackground": True, "preferCSSPageSize": True}
    )
    pdf = tmp_path / "map.pdf"
    pdf.write_bytes(base64.b64decode(printed["data"]))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 688, "height": 1000, "deviceScaleFactor": 1, "mobile": False},  # 182 mm
    )
    right: list[float] = browser.execute_script(
        "return [...document.querySelectorAll('.map thead th')]"
        ".map(e => e.getBoundingClientRect().right)"
    )
    assert len(right) == 50
    assert max(right) <= 688
    assert pdf.stat().st_size > 10_000


def test_the_list_of_histories_is_filtered_ordered_and_stepped_through_alike(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    rows = {of_chip(f"SP2-{n:04}"): letters for n, letters in enumerate(("PP", "PF", "FP", "PE"))}
    moments = [night(0), night(1)]
    found = tuple(
        SubjectStanding(subject, standing_of(letters, moments, list(letters)))
        for subject, letters in (rows | {of_design("gray"): "PU"}).items()
    )
    path = tmp_path / "histories.html"
    path.write_bytes(subjects_html(Standings(found, ()), Links(subject=lambda s: f"#{s.name}")))
    names = "table.rows tbody th"
    show(browser, path, (1000, 900))
    assert shown(browser, names) == ["SP2-0001", "SP2-0003", "SP2-0002", "SP2-0000", "gray"]
    fill(browser, "", "bad")
    assert shown(browser, names) == ["SP2-0001", "SP2-0003", "gray"]
    assert browser.find_element(By.ID, "find-count").text == "3 rows shown"
    browser.find_element(By.TAG_NAME, "body").send_keys("jj")
    assert browser.switch_to.active_element.text == "SP2-0003"
    fill(browser, "gray")
    assert shown(browser, names) == ["gray"]
    assert browser.find_element(By.ID, "find-count").text == "1 row shown"
    show(browser, f"{path.as_uri()}#find?order=name&find=sp2", (1000, 900))
    browser.refresh()
    assert shown(browser, names) == [f"SP2-{n:04}" for n in range(4)]

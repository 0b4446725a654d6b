"""The pages in a real browser: phone, desktop and paper, light and dark, judged by axe-core."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from axe_core_python.base import AXE_SCRIPT
from selenium import webdriver

from harness.grade import kept_grade
from harness.judge import Change, NightChanges
from harness.records import PinProof, PinState, RunRecord, SlotPins, Verdict
from harness.store import Store
from harness_reports import (
    Beyond,
    WrittenReports,
    write_grades,
    write_histories,
    write_run,
    write_since,
)
from tests.published import demo
from tests.system.browser import CHROMIUM, DRIVER, MISSING, resize, show, started
from tests.unit.reports.margin_samples import broken, nights, search, shmoo
from tests.unit.reports.samples import hostile_run, long_chip, run_of, sample_run
from tests.unit.reports.test_causes import RUN as CAUSED
from tests.unit.reports.test_distribution import rack
from tests.unit.store.nights import keep_nights

PHONE, SMALL, DESKTOP = (360, 740), (320, 640), (1280, 900)
A4_POINTS = (595, 842)

pytestmark = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason=MISSING)


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with started() as driver:
        yield driver


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of every kind, by a short name."""
    folder = tmp_path_factory.mktemp("pages")
    states = zip(("in0", "in1", "io2"), PinState, strict=True)
    pins = tuple(PinProof(pin, state, (), "") for pin, state in states)
    run = replace(sample_run(), continuity=(SlotPins("A1", ("ctr163/count",), (), pins),))
    sample = write_run(run, folder / "sample")
    hostile = write_run(hostile_run(), folder / "hostile")
    caused = write_run(CAUSED, folder / "caused")
    own = tuple(replace(one, run_id=run.run_id) for one in (search(night=12), shmoo(), broken()))
    return {
        "index": sample.index,
        "pass": sample.chips[0].html,
        "mixed": sample.chips[2].html,
        "margins": _chip(write_run(run, folder / "margins", Beyond(margins=(*nights(), *own)))),
        "silent": sample.chips[5].html,
        "caused": caused.chips[0].html,
        "caused index": caused.index,
        "long": _chip(write_run(run_of(long_chip()), folder / "long")),
        "hostile": _chip(hostile),
        "night": write_run(
            hostile_run(), folder / "night", Beyond(night=_night(hostile_run()))
        ).index,
        "hostile index": hostile.index,
        "design of a run": sample.designs[1],
        "hostile design": hostile.designs[1],
        "since": write_since(run, _night(run), folder / "sample", Beyond()),
        "grade": _grade(folder / "grade"),
        **_histories(folder),
    }


def _grade(folder: Path) -> Path:
    """The kept grades of two designs of the demo."""
    grades = [kept_grade(demo.design(name).folder) for name in ("crc16", "ram16x4")]
    return write_grades([grade for grade in grades if grade is not None], folder)


def _histories(folder: Path) -> dict[str, Path]:
    """The list of histories, and that of a design with the margins of many chips."""
    with Store(folder / "s.sqlite") as store:
        keep_nights(store, {"crc16": "PFUEW-P", "gray": "PPPPPPE"}, kinds="i")
        for one in (*rack(), shmoo()):
            store.record_margin(one)
        written = write_histories(store, store.subjects(), folder / "history")
    assert written.index is not None
    return {"histories": written.index, "design": folder / "history" / "design-crc16.html"}


def _night(run: RunRecord) -> NightChanges:
    """What is shown where every table of the run is news."""
    failing, lost = (
        tuple(
            Change(o.slot, o.chip_serial, o.design, o.table, None, now, False, o.reason, o.summary)
            for chip in run.chips
            for o in chip.outcomes
        )
        for now in (Verdict.FAIL, Verdict.NOT_RUN)
    )
    return NightChanges("before", failing, (), (), lost, ())


def _chip(written: WrittenReports) -> Path:
    return written.chips[0].html


KINDS = [
    "index", "pass", "mixed", "caused", "silent", "long", "hostile",
    "hostile index", "night", "margins", "histories", "design", "design of a run",
    "hostile design", "since", "grade",
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_no_page_scrolls_sideways(
    browser: webdriver.Chrome, pages: dict[str, Path], kind: str
) -> None:
    show(browser, pages[kind], SMALL)
    for size in (SMALL, PHONE, DESKTOP):
        resize(browser, size)
        width = browser.execute_script("return document.documentElement.scrollWidth")
        assert width <= size[0]


def _violations(browser: webdriver.Chrome) -> list[str]:
    browser.execute_script(AXE_SCRIPT)
    found: dict[str, Any] = browser.execute_async_script(
        "const done = arguments[arguments.length - 1]; axe.run().then(done);"
    )
    assert len(found["passes"]) > 10, "axe-core checked next to nothing"
    return [
        f"{violation['id']}: {node['html']}"
        for violation in found["violations"]
        for node in violation["nodes"]
    ]


@pytest.mark.parametrize(
    ("kind", "scheme"),
    [
        *((kind, "light") for kind in KINDS),
        ("index", "dark"),
        ("night", "dark"),
        ("mixed", "dark"),
        ("margins", "dark"),
        ("histories", "dark"),
        ("silent", "dark"),
        ("design of a run", "dark"),
    ],
)
def test_axe_core_finds_nothing(
    browser: webdriver.Chrome, pages: dict[str, Path], kind: str, scheme: str
) -> None:
    show(browser, pages[kind], DESKTOP, scheme)
    assert _violations(browser) == []


def test_axe_core_finds_nothing_on_a_phone(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["mixed"], PHONE)
    assert _violations(browser) == []


def test_axe_core_does_find_a_planted_fault(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["pass"], DESKTOP)
    browser.execute_script("document.documentElement.removeAttribute('lang')")
    assert any(line.startswith("html-has-lang") for line in _violations(browser))


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_asks_for_nothing_and_logs_nothing(
    browser: webdriver.Chrome, pages: dict[str, Path], kind: str
) -> None:
    for log in ("browser", "performance"):
        browser.get_log(log)  # type: ignore[no-untyped-call]
    show(browser, pages[kind], DESKTOP)
    messages = [
        json.loads(entry["message"])["message"]
        for entry in browser.get_log("performance")  # type: ignore[no-untyped-call]
    ]
    asked = [m["params"]["request"]["url"] for m in messages
             if m["method"] == "Network.requestWillBeSent"]  # fmt: skip
    assert {url for url in asked if not url.startswith("data:")} == {pages[kind].as_uri()}
    assert browser.get_log("browser") == []  # type: ignore[no-untyped-call]


def test_the_style_is_applied_under_the_pages_own_policy(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["mixed"], DESKTOP)
    colours = [
        browser.execute_script(f"return getComputedStyle(document.querySelector('{of}')).fill")
        for of in (".stamp .v-fail .shape", ".tally .v-pass .shape")
    ]
    assert colours == ["rgb(213, 94, 0)", "rgb(0, 158, 115)"]


@pytest.mark.parametrize("anchor", ["table-121", "design-design120"])
def test_a_link_into_a_folded_finding_opens_it(
    browser: webdriver.Chrome, pages: dict[str, Path], anchor: str
) -> None:
    browser.get("about:blank")
    show(browser, f"{pages['long'].as_uri()}#{anchor}", DESKTOP)
    place = browser.execute_script(
        "const place = document.getElementById(arguments[0]), fold = place.closest('details');"
        "return [fold.open, fold.querySelector('summary').getBoundingClientRect().top]",
        anchor,
    )
    assert place[0]
    assert 0 <= place[1] < DESKTOP[1] / 2


def test_findings_are_folded_on_the_screen_and_whole_on_paper(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["long"], DESKTOP)
    shown = (
        "return [...document.querySelectorAll('details.finding > .place')]"
        ".map(e => e.checkVisibility({contentVisibilityAuto: true}) && e.offsetHeight > 300)"
    )
    assert browser.execute_script(shown) == [True, False, False]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert browser.execute_script(shown) == [True, True, True]


def test_keys_step_through_the_findings_of_a_chip_and_fold_them(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["long"], DESKTOP)
    state = (
        "const all = [...document.querySelectorAll('details.finding')];"
        "return [all.map(one => one.open),"
        " all.findIndex(one => one.contains(document.activeElement))]"
    )
    pressed = []
    for key in "jjkoc":
        browser.switch_to.active_element.send_keys(key)
        pressed.append(browser.execute_script(state))
    assert pressed == [
        [[True, False, False], 0],
        [[True, True, False], 1],
        [[True, True, False], 0],
        [[True, True, True], 0],
        [[False, False, False], 0],
    ]


def test_a_focused_drawing_can_be_scrolled_by_keyboard(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["mixed"], PHONE)
    wide = browser.execute_script(
        "const box = document.querySelector('figure .scroll'); box.focus();"
        "return document.activeElement === box && box.scrollWidth > box.clientWidth"
    )
    assert wide


@pytest.mark.parametrize(
    "kind",
    ["mixed", "index", "long", "margins", "design", "histories", "design of a run", "grade"],
)
def test_a_page_prints_on_a4_without_loss(
    browser: webdriver.Chrome, pages: dict[str, Path], kind: str
) -> None:
    show(browser, pages[kind], DESKTOP)
    options = {"preferCSSPageSize": True, "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    assert boxes
    for width, height in boxes:
        assert (round(float(width)), round(float(height))) == A4_POINTS
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    _narrow_to_a4(browser)
    cut = browser.execute_script(
        "return [...document.querySelectorAll('body *')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML)"
    )
    assert cut == []
    swatches = browser.execute_script(
        "return [...document.querySelectorAll('.swatch')].map(e => e.getBoundingClientRect().width)"
    )
    assert all(width == 24 for width in swatches), "a legend is as small as on the screen"


def test_paper_has_explanations_on_the_chips_page_and_nothing_that_only_unfolds(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    shown = []
    for kind in ("caused index", "caused"):
        show(browser, pages[kind], DESKTOP)
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        shown += browser.execute_script(
            "return [...document.querySelectorAll('.cause table')].map(e => e.checkVisibility())"
        )
    assert shown == [False, False, True, True]
    show(browser, pages["margins"], DESKTOP)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    folded = "[...document.querySelectorAll('.tries:not([open])')].map(e => e.checkVisibility())"
    assert set(browser.execute_script(f"return {folded}")) == {False}


def _narrow_to_a4(browser: webdriver.Chrome) -> None:
    """Give the window the width of A4 less the margins of 14 mm, at 96 pixels an inch."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 688, "height": 1017, "deviceScaleFactor": 1, "mobile": False},
    )


@pytest.mark.parametrize(("kind", "size"), [("mixed", PHONE), ("mixed", DESKTOP), ("index", PHONE)])
def test_the_verdict_is_seen_without_scrolling(
    browser: webdriver.Chrome, pages: dict[str, Path], kind: str, size: tuple[int, int]
) -> None:
    show(browser, pages[kind], size)
    box = browser.execute_script(
        "const r = document.querySelector('.stamp').getBoundingClientRect();"
        "return [r.top, r.bottom, r.left, r.right]"
    )
    assert box[0] >= 0
    assert box[1] <= size[1] / 2
    assert box[2] >= 0
    assert box[3] <= size[0]


def test_points_of_a_margin_are_listed_when_asked_for_and_have_shapes_under_the_pages_policy(
    browser: webdriver.Chrome, pages: dict[str, Path]
) -> None:
    show(browser, pages["margins"], DESKTOP)
    shapes = "document.querySelectorAll('svg.margin use').length"
    assert browser.execute_script(f"return {shapes}") > 40
    fill = "return getComputedStyle(document.querySelector('svg.margin .m-fail')).fill"
    assert browser.execute_script(fill) == "rgb(213, 94, 0)"
    opened = browser.execute_script(
        "const all = document.querySelector('details.tries'); all.querySelector('summary').click();"
        "return all.open && all.querySelector('tbody').rows.length"
    )
    assert opened == 10
    assert _violations(browser) == []

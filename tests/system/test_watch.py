"""The live page in a real browser: a run in another process, strangers, and the end by Ctrl-C."""

from __future__ import annotations

import http.client
import json
import re
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import IO

import pytest
from selenium import webdriver

from harness.cli import ExitCode, main
from harness.errors import StoreError
from harness.records import RunRecord
from harness.store import Store, of_chip, of_design, of_slot
from harness.watch.addresses import history_address, rack_address, run_address
from harness.watch.source import StoreSource, look_at
from harness_reports import shown_pages
from tests.system.browser import CHROMIUM, DRIVER, MISSING, show, started
from tests.system.postgres import lacking, server
from tests.system.test_nightly import small_rack
from tests.system.test_pages import DESKTOP, SMALL, _violations
from tests.unit.reports.margin_samples import broken, nights, shmoo
from tests.unit.reports.samples import (
    START,
    chip,
    every_verdict,
    failed,
    passed,
    poisoned,
    run_of,
    silent_chip,
    unstable,
)
from tests.unit.store.nights import keep_nights

in_browser = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason=MISSING)

PLANTED = (
    "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">&'\""
)


@dataclass(frozen=True)
class Answer:
    """What came back; names of headers in small letters."""

    status: int
    headers: dict[str, str]
    body: bytes


@dataclass(frozen=True)
class Served:
    """A page that is served, and its store."""

    url: str
    store: Path
    process: subprocess.Popen[str]

    @property
    def port(self) -> int:
        return int(self.url.rstrip("/").rpartition(":")[2])

    def ask(self, path: str, method: str = "GET", **headers: str) -> Answer:
        """Ask once; of an endless answer only the head is read."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.request(method, path, headers=headers)
            with connection.getresponse() as got:
                endless = got.headers["Content-Type"].startswith("text/event-stream")
                return Answer(got.status, dict(got.headers), b"" if endless else got.read())
        finally:
            connection.close()

    @contextmanager
    def listening(self, **headers: str) -> Iterator[socket.socket]:
        with socket.create_connection(("127.0.0.1", self.port), timeout=20) as link:
            lines = [f"{name}: {value}\r\n" for name, value in headers.items()]
            head = f"GET /events HTTP/1.1\r\nHost: localhost\r\n{''.join(lines)}\r\n"
            link.sendall(head.encode())
            yield link


@contextmanager
def served(store: Path, *arguments: str) -> Iterator[Served]:
    command = [sys.executable, "-m", "harness", "watch", "--store", str(store), "--port", "0"]
    process = subprocess.Popen(
        [*command, *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        found = re.fullmatch(
            rf"Watching {re.escape(str(store))} at (http://\S+/) \(Ctrl-C ends it\)\n", said
        )
        assert found, said
        yield Served(found.group(1), store, process)
    finally:
        process.kill()
        process.communicate()


def hostile() -> RunRecord:
    """A run with planted markup in every text of every record."""
    run: RunRecord = poisoned(run_of(chip("A1", "SP2-0001", *every_verdict())), PLANTED)
    return replace(run, run_id=run.run_id.replace("/", ""))


def wall() -> RunRecord:
    """A rack of 32 slots, of which six have trouble."""
    slots = [
        chip(f"A{n}", f"SP2-{n:04}", passed(), *([failed(), unstable()] if n % 6 == 0 else []))
        for n in range(1, 32)
    ]
    slots.append(silent_chip("A32", "SP2-0032"))
    return run_of(*slots, rack="wall", run_id="wall-1", started=START - timedelta(days=1))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    path = tmp_path_factory.mktemp("watch") / "s.sqlite"
    with Store(path) as store:
        store.start_run(hostile())
        keep_nights(store, {"crc16": "PPFFPEP-", "bcd7seg": "PPPPPPPP"})
        store.start_run(wall())
        for one in (*nights(), shmoo(), broken()):
            store.record_margin(replace(one, chip_serial="PK-01"))
    with served(path) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with started() as driver:
        yield driver


HOSTILE = hostile()
KINDS = {
    "rack": "/",
    "hostile rack": rack_address("/", HOSTILE.rack),
    "histories": "/histories",
    "chip": history_address(of_chip("PK-01")),
    "design": history_address(of_design("crc16")),
    "slot": history_address(of_slot("bench", "A1")),
    "hostile chip": history_address(of_chip(HOSTILE.chips[0].chip_serial)),
    "hostile slot": history_address(of_slot(HOSTILE.rack, HOSTILE.chips[0].slot)),
    "run": run_address("bench-3"),
    "report": run_address("bench-3", "chips/PK-01/PK-01.html"),
    "hostile run": run_address(HOSTILE.run_id),
    "hostile report": run_address(
        HOSTILE.run_id, shown_pages(HOSTILE.chips)[HOSTILE.chips[0].slot]
    ),
    "not there": "/nothing/of/that/name",
}


def until(true: Callable[[], object], seconds: float = 30.0) -> None:
    """Wait until something holds."""
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.1)


def text(browser: webdriver.Chrome, of: str) -> str:
    return str(browser.execute_script(f"return document.getElementById('{of}').textContent"))


LIKE_OTHERS = {"slot", "hostile slot", "run", "report"}
"""Kinds of pages whose like is among the others."""


@in_browser
@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=[pytest.mark.nightly] if kind in LIKE_OTHERS else [])
        for kind in KINDS
    ],
)
def test_each_kind_of_page_is_sound_and_wide_as_the_window(
    browser: webdriver.Chrome, page: Served, kind: str
) -> None:
    address = page.url.rstrip("/") + KINDS[kind]
    scheme = "dark" if len(kind) % 2 else "light"
    show(browser, address, DESKTOP, scheme)
    assert _violations(browser) == []
    assert browser.title != "owned"
    browser.get_log("browser")  # type: ignore[no-untyped-call]
    show(browser, address, SMALL)
    time.sleep(0.3)
    width = browser.execute_script("return document.documentElement.scrollWidth")
    assert width <= SMALL[0]
    log = browser.get_log("browser")  # type: ignore[no-untyped-call]
    assert [entry for entry in log if "404" not in entry["message"]] == []
    if kind.startswith("hostile"):
        shown = browser.execute_script("return document.body.textContent")
        assert "<script>document.title='owned'</script><img src=x onerror=" in shown
        assert browser.title != "owned"


@in_browser
@pytest.mark.parametrize("width", [1000, 1600])
def test_32_slots_fit_on_a_screen(browser: webdriver.Chrome, page: Served, width: int) -> None:
    show(browser, page.url.rstrip("/") + rack_address("/", "wall"), (width, 900))
    high = "const top = (id) => document.getElementById(id).getBoundingClientRect().top;"
    assert browser.execute_script("return document.querySelectorAll('#cards > .tall').length") == 6
    needed = browser.execute_script(high + "return top('runs-title') - top('head')")
    assert needed <= 850, "which leaves a line for the names of other racks"


@in_browser
def test_a_run_in_another_process_is_seen_as_it_goes_without_a_reload(
    browser: webdriver.Chrome, page: Served, tmp_path: Path
) -> None:
    show(browser, page.url, DESKTOP)
    browser.execute_script("window.unchanged = true")
    place = ["--store", str(page.store), "--out", str(tmp_path / "out")]
    run = subprocess.Popen(
        [sys.executable, "-m", "harness", "run", str(small_rack(tmp_path)), *place],
        stdout=subprocess.DEVNULL,
    )
    seen: list[str] = []

    def over() -> bool:
        seen.append(text(browser, "head"))
        return "Finished: 3 of 3 tables done." in seen[-1]

    until(over, 90)
    assert run.wait(30) == ExitCode.ALL_PASS
    assert any("Under way: " in told for told in seen)
    assert "SP2-0001" in text(browser, "cards")
    assert "3 of 3 tables" in text(browser, "cards")
    assert browser.title == "Finished: Small"
    assert "Small" in text(browser, "runs")
    assert re.search(r"\(\d+ s ago\)", text(browser, "cards"))
    assert browser.execute_script("return window.unchanged") is True
    browser.execute_script("document.querySelector('#cards a[href^=\"/runs\"]').click()")
    until(lambda: "Chip test record" in browser.execute_script("return document.body.textContent"))


@in_browser
def test_the_page_says_when_the_store_is_away_and_when_the_server_is(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    path, aside = tmp_path / "s.sqlite", tmp_path / "aside.sqlite"
    with Store(path) as store:
        keep_nights(store, {"crc16": "P"})
    with served(path) as found:
        show(browser, found.url, DESKTOP)
        until(lambda: "ago" in text(browser, "head"))
        time.sleep(2)  # the page came from a look of its own; let the one behind its news look too
        path.rename(aside)
        until(lambda: "The store has been unreadable since" in text(browser, "head"))
        assert "bench" in text(browser, "head")
        assert found.ask("/histories").status == 503
        assert not path.exists()
        aside.rename(path)
        until(lambda: "cannot be read" not in text(browser, "head"))
        found.process.send_signal(signal.SIGINT)
        until(lambda: "No connection to harness watch" in text(browser, "lost"))
        browser.get("about:blank")


def test_every_answer_carries_the_headers_and_allows_reading_only(page: Served) -> None:
    for path in (*KINDS.values(), "/style.css", "/watch.js", "/events"):
        for method in ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
            answer = page.ask(path, method)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["cache-control"] == "no-store"
            if method not in {"GET", "HEAD"}:
                assert (answer.status, answer.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "10.0.0.1", ""])
def test_a_strange_name_of_this_computer_is_refused(page: Served, host: str) -> None:
    assert page.ask("/", Host=host).status in {400, 421}
    assert page.ask("/events", Host=host).status in {400, 421}
    assert page.ask("/", Host="localhost:1").status == 200


@pytest.mark.parametrize(
    "path",
    ["/runs/bench-3/../../../../etc/passwd", "/runs/bench-3/%2e%2e/%2e%2e/etc/passwd",
     "/runs/%2e%2e/pyproject.toml", "/runs/bench-3/chips/PK-01/../PK-01/x.html",
     "/runs/bench-3/run.json/", "/runs//index.html", "/history", "/history?chip=nobody"],
)  # fmt: skip
def test_no_path_leads_anywhere_but_to_what_the_store_has(page: Served, path: str) -> None:
    assert page.ask(path).status == 404


def test_the_files_of_a_run_are_made_from_the_store(page: Served) -> None:
    junit = page.ask(run_address("bench-3", "chips/PK-01/PK-01.xml"))
    assert (junit.status, junit.headers["content-type"]) == (200, "application/xml")
    record = json.loads(page.ask(run_address("bench-3", "run.json")).body)
    assert record["run"]["run_id"] == "bench-3"
    whole = page.ask(run_address("bench-3", "junit.xml")).body
    assert b"crc16" in whole
    wave = page.ask(run_address("bench-3", "chips/PK-01/crc16.all.vcd"))
    assert b"$enddefinitions" in wave.body


def test_without_a_script_the_page_shows_the_state_and_says_to_reload(page: Served) -> None:
    shown = page.ask("/?rack=bench").body.decode()
    assert "No news" not in shown
    assert "Finished: 1 of 2 tables done." in shown
    assert "reload it for news" in re.findall(r"<noscript>(.*?)</noscript>", shown)[0]


def _block(link: socket.socket, stream: IO[bytes]) -> dict[str, str]:
    """The next event, as its fields."""
    fields: dict[str, str] = {}
    for raw in stream:
        line = raw.decode().rstrip("\r\n")
        name, colon, value = line.partition(": ")
        if colon and name in {"id", "event", "data", "retry"}:
            fields[name] = value
        elif not line and "data" in fields:
            break
    return fields


def test_a_listener_that_comes_again_is_told_only_what_it_does_not_know(page: Served) -> None:
    with page.listening() as link, link.makefile("rb") as stream:
        first = _block(link, stream)
    assert (first["event"], first["retry"]) == ("rack", "2000")
    assert {"title", "said", "head", "runs", "cards"} <= json.loads(first["data"]).keys()
    with page.listening(**{"Last-Event-ID": first["id"]}) as link, link.makefile("rb") as stream:
        assert stream.readline() == b"HTTP/1.1 200 OK\r\n"
        while stream.readline() != b"\r\n":
            pass
        assert select.select([link], [], [], 2.5)[0] == []
    with page.listening(**{"Last-Event-ID": "another"}) as link, link.makefile("rb") as stream:
        assert _block(link, stream)["id"] == first["id"]


def test_ctrl_c_ends_it_at_once_though_others_listen(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        keep_nights(store, {"crc16": "P"})
    with (
        served(path) as found,
        found.listening() as one,
        one.makefile("rb") as first,
        found.listening() as two,
        two.makefile("rb") as second,
    ):
        assert _block(one, first)["id"] == _block(two, second)["id"]
        begin = time.monotonic()
        found.process.send_signal(signal.SIGINT)
        assert found.process.wait(10) == 0
        assert time.monotonic() - begin < 3
        assert found.process.stdout is not None
        assert found.process.stdout.read() == "Ended.\n"


def test_what_cannot_be_served_is_said_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = tmp_path / "none.sqlite"
    assert main(["watch", "--store", str(missing)]) == ExitCode.NOT_TESTED
    assert capsys.readouterr().err == (
        f"harness: {missing}: no results are kept here yet; `harness run RACK.toml` keeps some, or "
        "name another store with --store\n"
    )
    path = tmp_path / "s.sqlite"
    with Store(path), socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main(["watch", "--store", str(path), "--port", str(port)]) == ExitCode.NOT_TESTED
    assert capsys.readouterr().err == (
        f"harness: http://127.0.0.1:{port}/ cannot be opened (Address already in use); "
        "give another --port, or another --host if this computer does not have the address\n"
    )
    assert not missing.exists()


def test_another_host_needs_to_be_asked_for_and_is_cautioned_about(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    Store(path).close()
    with served(path, "--host", "0.0.0.0") as found:
        assert found.process.stdout is not None
        assert found.process.stdout.readline() == (
            "Caution: anyone on that network can read the results.\n"
        )
        assert found.ask("/", Host="10.1.2.3").status == 200
        assert found.ask("/", Host="evil.example").status == 421


def test_histories_are_written_as_files_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "s.sqlite", tmp_path / "pages"
    with Store(path) as store:
        keep_nights(store, {"crc16": "PF"}, rack="bench/2")
    place = ["--store", str(path), "--out", str(out)]
    assert main(["history", *place]) == ExitCode.ALL_PASS
    assert capsys.readouterr().out == f"History: {out / 'index.html'}\n"
    assert main(["history", *place, "--slot", "bench/2/A1"]) == ExitCode.ALL_PASS
    (line,) = capsys.readouterr().out.splitlines()
    assert Path(line.removeprefix("History: ")).is_file()
    assert main(["history", *place, "--chip", "SP2-0009"]) == ExitCode.NOT_TESTED
    assert "no run has chip SP2-0009; `harness history`" in capsys.readouterr().err
    assert main(["history", *place, "--slot", "A1"]) == ExitCode.BAD_INPUT
    assert "give RACK/SLOT" in capsys.readouterr().err


@pytest.mark.skipif(bool(lacking()), reason=lacking() or "it can be started")
def test_a_store_on_postgresql_is_watched_and_found_again_after_a_restart() -> None:
    with server() as database:
        with Store(database.url) as store:
            keep_nights(store, {"crc16": "PF", "bcd7seg": " P"})
            assert store.subjects() == (
                of_chip("PK-01"), of_design("bcd7seg"), of_design("crc16"), of_slot("bench", "A1")
            )  # fmt: skip
        source = StoreSource(database.url)
        before = look_at(source, None)
        assert before.state is not None
        assert before.state.headline == "Finished: 2 of 2 tables done."
        database.stop()
        with pytest.raises(StoreError):
            look_at(source, None)
        database.start()
        assert look_at(source, None) == before
        source.close()

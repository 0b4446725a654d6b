"""Ports: the contract of every port, and the exact text of every refusal."""

from __future__ import annotations

import errno
import grp
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

import pytest
import serial

from harness.errors import BoardLost, BoardSilent, PortUnavailable
from harness.link import Lines, Port, SerialPort, names_user, shown_address
from harness.link import port as port_module
from harness.link.port import _unavailable
from tests.system.remote import Terminal, rfc2217_server

OwnEnd = tuple[Port, Callable[[int], bytes], Callable[[bytes], None], Callable[[], None]]
"""A port, and its other end: receive a number of bytes, send, hang up."""


@contextmanager
def pseudo_terminal() -> Iterator[OwnEnd]:
    master, slave = os.openpty()
    tty.setraw(slave)
    port = SerialPort(os.ttyname(slave))
    os.close(slave)
    open_ends = [master]

    def receive(count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += os.read(master, count - len(data))
        return data

    def send(data: bytes) -> None:
        os.write(master, data)

    def hang_up() -> None:
        os.close(open_ends.pop())

    yield port, receive, send, hang_up
    port.close()
    if open_ends:
        hang_up()


@contextmanager
def network() -> Iterator[OwnEnd]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = SerialPort(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()

    def receive(count: int) -> bytes:
        return other.recv(count, socket.MSG_WAITALL)

    yield port, receive, other.sendall, other.close
    port.close()
    other.close()


@contextmanager
def telnet() -> Iterator[OwnEnd]:
    """Serve a terminal by pyserial's server; the other end is that terminal's."""
    master, slave = os.openpty()
    tty.setraw(slave)
    with rfc2217_server(os.ttyname(slave)) as server:
        port = SerialPort(server.url)

        def receive(count: int) -> bytes:
            data = b""
            while len(data) < count:
                data += os.read(master, count - len(data))
            return data

        def send(data: bytes) -> None:
            os.write(master, data)

        yield port, receive, send, server.hang_up
        port.close()
    os.close(master)
    os.close(slave)


ENDS = [
    pytest.param(pseudo_terminal, id="tty"),
    pytest.param(network, id="socket"),
    pytest.param(
        telnet,
        id="rfc2217",
        marks=pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning"),
    ),
]
Ends = Callable[[], AbstractContextManager[OwnEnd]]


@pytest.mark.parametrize("ends", ENDS)
def test_every_byte_goes_through_unchanged_both_ways(ends: Ends) -> None:
    every = bytes(range(256)) * 4
    with ends() as (port, receive, send, _):
        port.write(every)
        assert receive(len(every)) == every
        send(every)
        got = b""
        while len(got) < len(every):
            got += port.read(2.0)
        assert got == every


@pytest.mark.parametrize("ends", ENDS)
def test_read_waits_no_longer_than_its_timeout(ends: Ends) -> None:
    with ends() as (port, _, _, _):
        begin = time.monotonic()
        assert port.read(0.2) == b""
        assert 0.15 <= time.monotonic() - begin < 2.0
        assert port.read(0.0) == b""


@pytest.mark.parametrize("ends", ENDS)
def test_read_returns_as_soon_as_something_arrives(ends: Ends) -> None:
    with ends() as (port, _, send, _):
        timer = threading.Timer(0.1, send, [b"x"])
        timer.start()
        begin = time.monotonic()
        assert port.read(20.0) == b"x"
        assert time.monotonic() - begin < 10.0
        timer.join()


@pytest.mark.parametrize("ends", ENDS)
def test_a_port_whose_other_end_is_gone_is_a_lost_board(ends: Ends) -> None:
    with ends() as (port, _, _, hang_up):
        hang_up()
        with pytest.raises(BoardLost) as caught:
            port.read(5.0)
        assert " went away; check the " in str(caught.value)


@pytest.mark.parametrize("ends", ENDS)
def test_closing_twice_does_no_harm(ends: Ends) -> None:
    with ends() as (port, _, _, _):
        port.close()
        port.close()


def test_a_port_that_takes_no_more_bytes_is_a_silent_board(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_module, "WRITE_SECONDS", 1.0)
    with pseudo_terminal() as (port, _, _, _):
        assert isinstance(port, SerialPort)
        with pytest.raises(BoardSilent) as caught:
            port.write(bytes(1_000_000))
        assert str(caught.value) == (
            f"{port.url}: the board accepted no bytes for 1 s; unplug it, plug it in again "
            "and run again"
        )


@pytest.mark.parametrize("ends", ENDS)
def test_a_port_that_writes_takes_what_arrives_meanwhile(ends: Ends) -> None:
    """A board that cannot get rid of its answers reads no commands."""
    answers, commands = bytes(range(251)) * 400, bytes(range(241)) * 400
    with ends() as (port, receive, send, _):
        got: list[bytes] = []

        def board() -> None:
            for at in range(0, len(answers), 1004):
                send(answers[at : at + 1004])
            got.append(receive(len(commands)))

        thread = threading.Thread(target=board)
        thread.start()
        port.write(commands)
        thread.join()
        heard = b""
        while len(heard) < len(answers):
            heard += port.read(2.0)
        assert (heard, got) == (answers, [commands])


def test_a_flood_while_a_port_writes_fills_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other end sends for as long as it can, and takes nothing."""
    monkeypatch.setattr(port_module, "WRITE_SECONDS", 0.3)
    monkeypatch.setattr(port_module, "MAX_EARLY", 100_000)
    with network() as (port, _, send, hang_up):

        def flood() -> None:
            with suppress(OSError):
                while True:
                    send(bytes(100_000))

        thread = threading.Thread(target=flood)
        thread.start()
        with pytest.raises(BoardSilent):
            port.write(bytes(50_000_000))
        assert 100_000 <= len(port.read(0)) <= 100_000 + 65_536
        port.close()
        thread.join()
        hang_up()


def test_a_missing_port_is_named() -> None:
    with pytest.raises(PortUnavailable) as caught:
        SerialPort("/dev/ttyNOBODY7")
    assert str(caught.value) == (
        "/dev/ttyNOBODY7: there is no such port; is the board plugged in? "
        "'harness ports' lists the ports of this computer"
    )


def test_a_port_in_use_is_named() -> None:
    with pseudo_terminal() as (port, _, _, _):
        assert isinstance(port, SerialPort)
        with pytest.raises(PortUnavailable) as caught:
            SerialPort(port.url)
        assert str(caught.value) == (
            f"{port.url}: the port is in use by another program; close that program and run again"
        )


def test_a_port_on_a_computer_that_does_not_listen_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    for scheme in ("socket", "rfc2217"):
        with pytest.raises(PortUnavailable) as caught:
            SerialPort(f"{scheme}://somebody:secret@127.0.0.1:{number}")
        assert str(caught.value) == (
            f"{scheme}://127.0.0.1:{number}: connection refused; start the program that serves the "
            "port on that host, and check the number after the colon"
        )


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
def test_a_port_on_an_unknown_host_is_named(scheme: str) -> None:
    with pytest.raises(PortUnavailable) as caught:
        SerialPort(f"{scheme}://no-such-host.invalid:4001")
    assert str(caught.value) == (
        f"{scheme}://no-such-host.invalid:4001: host not found; check the host name in the port's "
        "address"
    )


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_server_of_plain_bytes_is_no_rfc_2217_server() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
        with pytest.raises(PortUnavailable) as caught:
            SerialPort(f"rfc2217://127.0.0.1:{number}?timeout=0.2")
    assert "the server there does not speak RFC 2217; use socket://" in str(caught.value)


def test_an_address_is_shown_without_user_and_password() -> None:
    text = "cannot open rfc2217://me:se@cret@lab-3:4001?x=a@b, socket://lab-4:1"
    assert shown_address(text) == "cannot open rfc2217://lab-3:4001?x=a@b, socket://lab-4:1"
    assert names_user("socket://me@lab-3:1")
    assert not names_user("socket://lab-3:1/?x=a@b")


def test_a_url_of_an_unknown_kind_is_named() -> None:
    with pytest.raises(PortUnavailable, match=r"^carrier-pigeon://x: the port cannot be opened"):
        SerialPort("carrier-pigeon://x")


def own_group(path: Path) -> str:
    return grp.getgrgid(path.stat().st_gid).gr_name


@pytest.mark.parametrize(
    ("code", "text"),
    [
        (
            errno.EACCES,
            (
                "{path}: you may not use this port; it belongs to group '{group}': "
                "ask to be added to it, then log in again"
            ),
        ),
        (
            errno.EBUSY,
            "{path}: the port is in use by another program; close that program and run again",
        ),
        (
            errno.EAGAIN,
            "{path}: the port is in use by another program; close that program and run again",
        ),
        (
            errno.ENXIO,
            (
                "{path}: the port cannot be opened ([Errno 6] why); check the name, and on "
                "Windows that the board's serial driver is installed"
            ),
        ),
    ],
)
def test_the_text_for_each_refusal_of_the_system(code: int, text: str, tmp_path: Path) -> None:
    path = tmp_path / "port"
    path.touch()
    error = _unavailable(str(path), serial.SerialException(code, "why"))
    assert str(error) == text.format(path=path, group=own_group(path))


def test_a_port_of_a_group_without_a_name_is_given_by_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "port"
    path.touch()

    def nameless(number: int) -> object:
        raise KeyError(number)

    monkeypatch.setattr("harness.link.port.grp.getgrgid", nameless)
    error = _unavailable(str(path), serial.SerialException(errno.EACCES, "why"))
    assert f"group '{path.stat().st_gid}'" in str(error)


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (
            serial.SerialException(
                "device reports readiness to read but returned no data "
                "(device disconnected or multiple access on port?)"
            ),
            "",
        ),
        (serial.SerialException("read failed: [Errno 5] Input/output error"), ""),
        (OSError(errno.ENODEV, "No such device"), ""),
        (BrokenPipeError(errno.EPIPE, "Broken pipe"), ""),
        (ConnectionResetError(errno.ECONNRESET, "reset"), ""),
        (serial.SerialException("write failed: [Errno 12] Why"), " (cannot allocate memory)"),
    ],
)
def test_an_unplugged_board_is_reported_in_plain_words(error: Exception, text: str) -> None:
    with pseudo_terminal() as (port, _, _, _):
        assert isinstance(port, SerialPort)
        assert str(port._lost(error)) == (
            f"{port.url}: the board went away{text}; check the cable and plug it in again"
        )


def windows(error: OSError) -> serial.SerialException:
    """The error as pyserial words it on Windows, in any language of Windows."""
    said = f"{type(error).__name__}({error.errno}, 'Zugriff verweigert', None, 5)"
    return serial.SerialException(f"could not open port 'COM7': {said}")


def test_windows_refuses_a_port_in_use_or_missing_in_words_of_its_own(tmp_path: Path) -> None:
    there = tmp_path / "COM7"
    there.touch()
    assert str(_unavailable(str(there), windows(PermissionError(13, "")))) == (
        f"{there}: the port is in use by another program; close that program and run again"
    )
    assert str(_unavailable(str(there), windows(FileNotFoundError(2, "")))) == (
        f"{there}: there is no such port; is the board plugged in? 'harness ports' lists the "
        "ports of this computer"
    )


def test_under_wsl_a_missing_port_hints_at_the_lost_attachment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release = tmp_path / "osrelease"
    release.write_text("6.6.87.2-microsoft-standard-WSL2\n")
    monkeypatch.setattr(port_module, "_OSRELEASE", release)
    with pytest.raises(PortUnavailable) as caught:
        SerialPort("/dev/ttyNOBODY7")
    assert str(caught.value) == (
        "/dev/ttyNOBODY7: there is no such port; is the board plugged in? 'harness ports' lists "
        "the ports of this computer; under WSL, attach a USB device again after it was unplugged "
        "or reset (on Windows: usbipd attach --wsl --busid …, with --auto-attach to repeat by "
        "itself)"
    )


@pytest.mark.parametrize(
    ("lines", "levels"),
    [
        (Lines(), {"dtr": True, "rts": True}),
        (Lines(dtr=False), {"dtr": False, "rts": True}),
        (Lines(dtr=True, rts=False), {"dtr": True, "rts": False}),
    ],
)
def test_control_lines_are_set_before_the_port_is_open(
    lines: Lines, levels: dict[str, bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[dict[str, bool]] = []
    real = serial.Serial.open

    def opening(device: serial.Serial) -> None:
        opened.append({"dtr": device.dtr, "rts": device.rts})
        real(device)

    monkeypatch.setattr(serial.Serial, "open", opening)
    master, slave = os.openpty()
    SerialPort(os.ttyname(slave), lines=lines).close()
    os.close(master)
    os.close(slave)
    assert opened == [levels]


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_control_lines_reach_a_port_of_another_host(monkeypatch: pytest.MonkeyPatch) -> None:
    dtr: list[bool] = []
    rts: list[bool] = []
    # what pyserial's server asks of the port that it serves
    monkeypatch.setattr(Terminal, "_update_dtr_state", lambda port: dtr.append(port.dtr))
    monkeypatch.setattr(Terminal, "_update_rts_state", lambda port: rts.append(port.rts))
    master, slave = os.openpty()
    tty.setraw(slave)
    with rfc2217_server(os.ttyname(slave)) as server:
        SerialPort(server.url, lines=Lines(dtr=False)).close()
    os.close(master)
    os.close(slave)
    assert (dtr[-1], rts[-1]) == (False, True)

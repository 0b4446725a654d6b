"""A USB host that stays silent while it has nothing to send, as hosts do.

The emulator's own host answers each request for data after 10 us, with an empty packet if need be.
The firmware asks again at once, so its processor is busy with USB for most of the time and every
measured loop is two to four times too slow. One rule: what the emulator does with bytes is left to
it; only empty packets are held back.
"""

from __future__ import annotations

from rp2040py.usb.cdc import USBCDC


def quieten(cdc: USBCDC) -> None:
    """Hold every request of the firmware for data until there is some."""
    usb, push, answer = cdc.usb, cdc.send_serial_byte, cdc.usb.on_endpoint_read
    assert answer is not None
    asked: list[tuple[int, int]] = []
    wake = usb.rp2040.clock.create_alarm(lambda: answer(*asked.pop()) if asked else None)

    def on_read(endpoint: int, size: int) -> None:
        if endpoint and not cdc.tx_fifo.item_count:
            asked[:] = [(endpoint, size)]
        else:
            answer(endpoint, size)

    def send(data: int) -> None:
        push(data)
        wake.schedule(1)

    usb.on_endpoint_read = on_read
    cdc.send_serial_byte = send  # type: ignore[method-assign]

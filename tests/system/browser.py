"""Debian's Chromium, headless and without a profile; run as a script it takes a picture of a page.

``python -m tests.system.browser PAGE.html PICTURE.png [WIDTH [HEIGHT]]`` pictures the top of the
page at twice the pixels, for the README. The page may also be an address.
"""

from __future__ import annotations

import base64
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
MISSING = "needs chromium and chromedriver (Debian: chromium, chromium-driver)"
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --no-first-run --disable-background-networking"
    " --disable-component-update --disable-sync --disable-dev-shm-usage --hide-scrollbars"
)


@contextmanager
def started() -> Iterator[webdriver.Chrome]:
    """A browser with a fresh profile that is gone afterwards; keeps its logs for the tests."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = Options()
        for flag in FLAGS.split():
            options.add_argument(flag)
        options.add_argument(f"--user-data-dir={profile}")
        options.binary_location = str(CHROMIUM)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
        try:
            driver.set_script_timeout(60)
            yield driver
        finally:
            driver.quit()


def show(
    driver: webdriver.Chrome,
    page: Path | str,
    size: tuple[int, int],
    scheme: str = "light",
    scale: int = 1,
) -> None:
    """Open a page at a window size in CSS pixels; a narrow window is taken for a phone's."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
    resize(driver, size, scale)
    driver.get(page if isinstance(page, str) else page.resolve().as_uri())


def resize(driver: webdriver.Chrome, size: tuple[int, int], scale: int = 1) -> None:
    """Give the window a size in CSS pixels; what it shows is laid out again."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": size[0], "height": size[1], "deviceScaleFactor": scale, "mobile": size[0] < 500},
    )


def picture(page: Path | str, out: Path, size: tuple[int, int]) -> None:
    """Write the top of a page as PNG at twice the pixels."""
    with started() as driver:
        show(driver, page, size, scale=2)
        shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
    out.write_bytes(base64.b64decode(shot["data"]))


if __name__ == "__main__":
    if not (CHROMIUM and DRIVER):
        sys.exit(MISSING)
    width, height = (int(text) for text in [*sys.argv[3:], "1080", "1180"][:2])
    wanted = sys.argv[1]
    picture(wanted if "://" in wanted else Path(wanted), Path(sys.argv[2]), (width, height))

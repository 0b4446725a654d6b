"""``ci/test``: sets up what the tests need, then runs every check and every test.

``--quick`` leaves out what takes long, for the edit loop; ``--nightly`` adds what takes too long
for a day. With other arguments only pytest runs, and gets them. One rule: every check runs even if
an earlier one failed; the exit status is pytest's if pytest fails, else 1 if a check failed.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import time

from checks import processor_seconds, run_checks
from environment import PROGRAMS, Needs, prepare, run, say

NEEDS = Needs(
    extras=("cluster", "parquet", "proof", "synthesis", "virtual", "waves"), groups=("test",)
)

SYSTEM = {
    "iverilog": ("iverilog", "the comparison of every design with Icarus Verilog"),
    "chromium": ("chromium", "the pages in a real browser"),
    "chromedriver": ("chromium-driver", "the pages in a real browser"),
}
"""Programs that are no Python packages: Debian package, and the tests that need it."""

CORES = os.cpu_count() or 1
SPREAD = ("-n", str(2 * CORES), "--dist", "loadfile", "--no-loadscope-reorder")
"""Two processes for each core, since many tests wait; the tests of a file stay together.

In the order of the folders: the system's tests wait most, and would wait alone at the end.
"""

PARTS = {
    "": ("--durations=15",),
    "--quick": ("tests/unit", "-m", "not nightly and not slow"),
    "--nightly": ("--durations=15", "-m", "nightly or not nightly", "--hypothesis-profile=nightly"),
}
"""What pytest is told."""


def main(arguments: list[str]) -> int:
    """Do it all; returns the exit status."""
    began = time.monotonic()
    prepare(NEEDS)
    add_programs()
    part = " ".join(arguments)
    if part not in PARTS:
        return tests(arguments)
    os.environ.setdefault("CI", "1")  # property tests then try the same examples every time
    figures = {"set-up": time.monotonic() - began}
    results = run_checks()
    figures |= {result.name: result.seconds for result in results}
    tested = time.monotonic()
    status = tests([*SPREAD, *PARTS[part]])
    figures["tests"] = time.monotonic() - tested
    figures["whole"] = time.monotonic() - began
    print_figures(figures)
    failed = [result.name for result in results if result.status]
    if failed:
        say(f"Checks that failed: {', '.join(failed)} (see above).")
    return status or (1 if failed else 0)


def tests(arguments: list[str]) -> int:
    """Run pytest with these arguments."""
    say("\n── tests")
    return run([PROGRAMS / "python", "-m", "pytest", *arguments])


def print_figures(figures: dict[str, float]) -> None:
    """Tell where the time went."""
    say("\n── seconds")
    for name, seconds in figures.items():
        say(f"{seconds:7.1f}  {name}")
    say(f"{processor_seconds(resource.RUSAGE_CHILDREN):7.1f}  processor time of the whole")
    before = processor_seconds(resource.RUSAGE_CHILDREN)
    subprocess.run([PROGRAMS / "harness", "--version"], stdout=subprocess.DEVNULL, check=False)
    used = processor_seconds(resource.RUSAGE_CHILDREN) - before
    say(f"{used:7.2f}  processor time of harness --version")


def add_programs() -> None:
    """Install missing programs where that is allowed; name what stays missing."""
    missing = lacking()
    if missing and shutil.which("apt-get"):
        install(sorted({SYSTEM[name][0] for name in missing}))
        missing = lacking()
    for name in missing:
        package, tests = SYSTEM[name]
        say(f"Missing: {name} (Debian package {package}). Skipped without it: {tests}.")


def lacking() -> list[str]:
    """Programs of ``SYSTEM`` that are not on this machine."""
    return [name for name in SYSTEM if not shutil.which(name)]


def install(packages: list[str]) -> None:
    """Install Debian packages as root or by sudo without a password; do nothing otherwise."""
    prefix = superuser()
    if prefix is None:
        say("Not root, and sudo wants a password: no Debian package is installed.")
        return
    say(f"Installing the Debian packages {', '.join(packages)} …")
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for arguments in (["update"], ["install", "-y", "--no-install-recommends", *packages]):
        command = [*prefix, "apt-get", "-qq", *arguments]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        if done.returncode:
            say(f"{' '.join(command)} failed:\n{done.stderr.strip()}")


def superuser() -> list[str] | None:
    """Words to put before a command that needs root; None if there is no way."""
    if os.geteuid() == 0:
        return []
    if not shutil.which("sudo"):
        return None
    asked = subprocess.run(["sudo", "-n", "true"], capture_output=True, check=False)
    return None if asked.returncode else ["sudo", "-n"]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

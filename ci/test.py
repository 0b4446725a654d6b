"""``ci/test``: sets up what the tests need, then runs every check and every test.

With arguments only pytest runs, and gets them. One rule: every check runs even if an earlier one
failed; the exit status is pytest's if pytest fails, else 1 if a check failed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time

from environment import PROGRAMS, Needs, prepare, run, say

NEEDS = Needs(extras=("synthesis", "virtual"), groups=("test",))

SYSTEM = {
    "iverilog": ("iverilog", "the comparison of every design with Icarus Verilog"),
    "chromium": ("chromium", "the pages in a real browser"),
    "chromedriver": ("chromium-driver", "the pages in a real browser"),
}
"""Programs that are no Python packages: Debian package, and the tests that need it."""

CHECKS = {
    "format": ("ruff", "format", "--check", "--quiet"),
    "lint": ("ruff", "check", "--quiet"),
    "types": ("mypy",),
    "import directions": ("lint-imports", "--no-logo"),
}


def main(arguments: list[str]) -> int:
    """Do it all; returns the exit status."""
    prepare(NEEDS)
    add_programs()
    if not arguments:
        os.environ.setdefault("CI", "1")  # property tests then try the same examples every time
    failed = [] if arguments else [name for name, part in CHECKS.items() if not passes(name, part)]
    say("\n── tests")
    status = run([PROGRAMS / "python", "-m", "pytest", *arguments])
    if failed:
        say(f"Checks that failed: {', '.join(failed)} (see above).")
    return status or (1 if failed else 0)


def passes(name: str, command: tuple[str, ...]) -> bool:
    """Run one check and tell whether it is satisfied."""
    say(f"\n── {name}: {' '.join(command)}")
    began = time.monotonic()
    status = run([PROGRAMS / command[0], *command[1:]])
    say(f"{name}: {'failed' if status else 'good'} ({time.monotonic() - began:.0f} s)")
    return status == 0


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

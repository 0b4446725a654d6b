"""Check the files that people write: shuttles, designs, tables, board profiles, rack files.

One rule: nothing here knows a rule about a file's content. It finds out what kind of file it is,
passes it to the reader of that kind and collects the findings. A TOML file's kind follows from its
keys: ``designs`` a shuttle, ``signals`` a design, ``controller`` a board profile, ``slot`` a rack.
A misspelt key counts too, so that the reader can say what is wrong with it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from harness.board import check_profile
from harness.door import check_file, is_file, is_folder, names_below, whole_path
from harness.errors import FileUnusable, Finding, Findings, Location, Severity
from harness.jobs.stale import stale_grade, stale_netlists, stale_tables
from harness.jobs.unedited import unedited
from harness.jobs.unproven import unproven
from harness.rack import check_rack
from harness.rehearse import Cache
from harness.shuttle import Design, Shuttle, check_shuttle, read_toml
from harness.table import SUFFIXES, Pattern, check_table
from harness.virtual import check_models

KINDS = {"designs": "shuttle", "signals": "design", "controller": "profile", "slot": "rack"}
CLOSE = 0.85
"""How close a misspelt key must be: "slots", "design", "signal" and "controler" are."""
SHUTTLE_FILES = ("shuttle.toml", "vectors/shuttle.toml")
"""Where a board profile's shuttle is searched, in its folder and the folders above."""
SETTINGS = ".toml"
ORDER = {"shuttle": 0, "profile": 1, "rack": 1, "unknown": 2, "design": 3, "table": 4}
"""The order in which a folder's files are checked: later kinds are checked against earlier ones."""


def check(paths: Iterable[str | Path]) -> list[Finding]:
    """Check files and folders; return every finding once, in the order of the paths.

    A folder means every file in it and below that the tool reads. A rack includes its shuttle, and
    a shuttle its designs with their tables and netlists. Never raises because of a file's content.
    """
    checker = _Checker()
    for path in map(Path, paths):
        try:
            checker.check(path)
        except FileUnusable as error:
            checker.findings.append(error.finding)
    return _once(checker.findings)


def _once(findings: Iterable[Finding]) -> list[Finding]:
    """Drop duplicates, even if their file was reached by another path."""
    first: dict[Finding, Finding] = {}
    for finding in findings:
        place = replace(finding.location, path=whole_path(finding.location.path))
        first.setdefault(replace(finding, location=place), finding)
    return list(first.values())


@dataclass
class _Checker:
    """The findings so far, and the shuttles already checked, by file."""

    findings: list[Finding] = field(default_factory=list)
    shuttles: dict[Path, Shuttle | None] = field(default_factory=dict)

    def check(self, path: Path) -> None:
        """Check a file or folder; raises FileUnusable if it cannot be opened."""
        if is_folder(path):
            self.folder(path)
            return
        check_file(path)
        checks = {
            "shuttle": self.shuttle,
            "design": self.design,
            "profile": self.profile,
            "rack": self.rack,
            "table": self.table,
            "unknown": self.unknown,
        }
        checks[kind_of(path)](path)

    def folder(self, folder: Path) -> None:
        """Check every file of a known kind, and warn about tables that no design lists."""
        before = len(self.findings)
        files = [p for p in sorted(names_below(folder)) if _suffix(p) in {SETTINGS, *SUFFIXES}]
        kinds = {path: kind_of(path) for path in files}
        for path, kind in sorted(kinds.items(), key=lambda item: ORDER[item[1]]):
            if kind == "table":
                self.unlisted(path)
            elif kind == "unknown":
                self.readable(path)  # a settings file of another program, if it is one at all
            elif kind != "design" or not self.has_design(path):
                self.check(path)
        if not set(KINDS.values()) & set(kinds.values()) and len(self.findings) == before:
            self.error(
                "nothing-to-check",
                folder,
                "this folder has no shuttle, design, profile or rack file",
                "name the folder that holds shuttle.toml",
            )

    def shuttle(self, path: Path) -> None:
        """Check a shuttle, its designs and their tables, once."""
        file = whole_path(path)
        if file in self.shuttles:
            return
        shuttle, findings = check_shuttle(path)
        self.shuttles[file] = shuttle
        self.findings += [*findings, *unedited(path)]
        if shuttle is not None:
            for design in shuttle.designs:
                self.inside(design, shuttle)

    def rack(self, path: Path) -> None:
        """Check a rack file, and the shuttle that it names with all its designs."""
        rack, findings = check_rack(path)
        self.findings += findings
        if rack is not None:
            self.findings += unproven(rack, Cache())
        top = read_toml(path, Findings())
        named = top.values.get("shuttle") if top is not None else None
        if isinstance(named, str) and is_file(path.parent / named):
            self.shuttle(path.parent / named)

    def inside(self, design: Design, shuttle: Shuttle) -> None:
        """Check a design's tables, and its netlist unless its own file has an error."""
        self.findings += unedited(design.folder / "design.toml")
        patterns: dict[str, Pattern] = {}
        for spec in design.tables:
            if is_file(spec.path):
                pattern, findings = check_table(spec, design, shuttle)
                self.findings += findings
                if pattern is not None:
                    patterns[spec.name] = pattern
        self.findings += stale_tables(design)
        if len(patterns) == len(design.tables):
            self.findings += stale_grade(design, shuttle, patterns)
        if design.netlist is not None and is_file(design.netlist) and not self.wrong(design):
            self.findings += check_models([design])
            self.findings += stale_netlists([design])

    def wrong(self, design: Design) -> bool:
        """Return whether a design's own file has an error."""
        file = design.folder / "design.toml"
        errors = (item for item in self.findings if item.severity is Severity.ERROR)
        return any(whole_path(item.location.path) == file for item in errors)

    def design(self, path: Path) -> None:
        """Check one design: report only the shuttle's findings in its folder."""
        shuttle = self.quiet_shuttle(path)
        if shuttle is None:
            self.error(
                "design-without-shuttle",
                path,
                "the folder above has no readable shuttle.toml",
                "put the design's folder beside the shuttle's file",
            )
            return
        folder = whole_path(path.parent)
        listed = _designs_in(folder, shuttle)
        if not listed:
            self.error(
                "design-not-listed",
                path,
                f"{shuttle.path.name} does not list the folder {folder.name}",
                f'add "{folder.name}" to its designs',
            )
        _, findings = check_shuttle(shuttle.path)
        self.findings += [
            item for item in findings if whole_path(item.location.path.parent) == folder
        ]
        for design in listed:
            self.inside(design, shuttle)

    def table(self, path: Path) -> None:
        """Check one table file against the design in its folder."""
        shuttle = self.quiet_shuttle(path)
        designs = _designs_in(whole_path(path.parent), shuttle)
        if shuttle is None or not designs:
            self.error(
                "table-without-design",
                path,
                "this folder belongs to no design of a shuttle",
                "keep the table beside its design.toml, in a folder that shuttle.toml lists",
            )
            return
        self.findings += check_table(path, designs[0], shuttle)[1]
        self.unlisted(path)

    def unlisted(self, path: Path) -> None:
        """Warn about a table that the design beside it does not list: it would never run."""
        file = whole_path(path)
        for design in _designs_in(whole_path(path.parent), self.quiet_shuttle(path)):
            if all(spec.path != file for spec in design.tables):
                message = f'design "{design.name}" does not list this table, so it never runs'
                advice = f'add [tables.NAME] with file = "{path.name}" to design.toml'
                place = Location(path)
                self.findings.append(
                    Finding("table-not-listed", place, message, advice, Severity.WARNING)
                )

    def profile(self, path: Path) -> None:
        shuttle = self.profile_shuttle(path)
        if shuttle is None:
            self.error(
                "profile-without-shuttle",
                path,
                "there is no shuttle to check this profile's pins against",
                "name the shuttle's file before the profile",
            )
            return
        self.findings += [*check_profile(path, shuttle)[1], *unedited(path)]

    def profile_shuttle(self, path: Path) -> Shuttle | None:
        """Return the last shuttle of this check, else the nearest one in the folders above."""
        named = [shuttle for shuttle in self.shuttles.values() if shuttle is not None]
        if named:
            return named[-1]
        for folder in whole_path(path).parents:
            for name in SHUTTLE_FILES:
                if is_file(folder / name):
                    return check_shuttle(folder / name)[0]
        return None

    def quiet_shuttle(self, path: Path) -> Shuttle | None:
        """Return the shuttle in the folder above, without its findings."""
        file = whole_path(whole_path(path).parent.parent / "shuttle.toml")
        if file not in self.shuttles and is_file(file):
            return check_shuttle(file)[0]
        return self.shuttles.get(file)

    def has_design(self, path: Path) -> bool:
        """Return whether a shuttle that was checked lists this design."""
        folder = whole_path(path.parent)
        return any(_designs_in(folder, shuttle) for shuttle in self.shuttles.values())

    def readable(self, path: Path) -> bool:
        """Report a settings file that cannot be read."""
        findings = Findings()
        top = read_toml(path, findings)
        self.findings += findings.items
        return top is not None

    def unknown(self, path: Path) -> None:
        """Report why a file is of no known kind, or unreadable."""
        if _suffix(path) != SETTINGS:
            self.error(
                "unknown-file-kind",
                path,
                f'"{path.suffix or path.name}" is not a kind of file that the tool reads',
                f"give .toml, {', '.join(SUFFIXES)} files or a folder",
            )
        elif self.readable(path):
            keys = ", ".join(f'"{key}" ({kind})' for key, kind in KINDS.items())
            self.error(
                "unknown-file-kind",
                path,
                "the file is neither a shuttle, a design, a board profile nor a rack",
                f"the kind follows from one of these keys: {keys}",
            )

    def error(self, rule: str, path: Path, message: str, advice: str) -> None:
        self.findings.append(Finding(rule, Location(path), message, advice))


def _designs_in(folder: Path, shuttle: Shuttle | None) -> list[Design]:
    designs = shuttle.designs if shuttle is not None else ()
    return [design for design in designs if design.folder == folder]


def _suffix(path: Path) -> str:
    return path.suffix.lower()


def kind_of(path: Path) -> str:
    """Return a file's kind by its suffix or its keys; by its name if it cannot be read."""
    if _suffix(path) != SETTINGS:
        return "table" if _suffix(path) in SUFFIXES else "unknown"
    top = read_toml(path, Findings())
    if top is None:
        return {"shuttle.toml": "shuttle", "design.toml": "design"}.get(path.name, "unknown")
    exact = next((kind for key, kind in KINDS.items() if key in top.values), None)
    return exact or _nearly(list(top.values))


def _nearly(keys: list[str]) -> str:
    """Return the kind of a file whose key is misspelt."""
    if {"shuttle", "profile"} <= set(keys):
        return "rack"
    close = (
        kind
        for telling, kind in KINDS.items()
        if difflib.get_close_matches(telling, keys, n=1, cutoff=CLOSE)
    )
    return next(close, "unknown")

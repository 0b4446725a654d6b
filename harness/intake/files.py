"""The files that an intake is made with, and which of them changed since it began.

One rule: a sitting goes on only with the very files of the one before.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from harness.door import LARGEST_SETTINGS, file_sum, whole_path
from harness.errors import ConfigError, Finding, Location
from harness.intake.order import Plan
from harness.rack import Rack

DESIGN = "design.toml"


def files_of(rack: Rack, plan: Plan) -> dict[str, str]:
    """Return the SHA-256 of rack, profile, shuttle, designs and intake tables, by name.

    Names are paths from the shuttle's folder.
    """
    home = whole_path(rack.shuttle.path.parent)
    paths = {path: None for path in (rack.path, rack.profile.path, rack.shuttle.path) if path}
    paths |= {design.folder / DESIGN: None for design in rack.shuttle.designs}
    files = {_name(path, home): file_sum(path, LARGEST_SETTINGS) for path in paths}
    return files | {
        _name(spec.path, home): pattern.sha256 for _, spec, pattern in (*plan.pins, *plan.tables)
    }


def changed_files(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Name every file that is another one now, is new, or is gone."""
    return tuple(sorted(n for n in before.keys() | now.keys() if before.get(n) != now.get(n)))


def changed_error(names: tuple[str, ...], rack: Rack, run_id: str) -> ConfigError:
    """Make the complaint about files that changed since an intake began."""
    advice = "put the old file back, or start the intake anew with --anew"
    told = f"not what it was when intake {run_id} began"
    home = whole_path(rack.shuttle.path.parent)
    named = (Path(os.path.normpath(home / name)) for name in names)
    return ConfigError(Finding("changed-since", Location(path), told, advice) for path in named)


def _name(path: Path, home: Path) -> str:
    """Name a file by its way from the shuttle's folder, so that no two have one name."""
    return Path(os.path.relpath(whole_path(path), home)).as_posix()

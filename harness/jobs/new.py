"""Start the files that an author writes: a shuttle, a board profile, a design with its table.

One rule: no file that is there is replaced, and what was written or changed is returned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.convert import (
    SHUTTLE_TEXT,
    Proposal,
    board_text,
    new_files,
    propose,
    wrapper_text,
    write_file,
)
from harness.door import (
    MAX_NETLIST_BYTES,
    MAX_SETTINGS_BYTES,
    is_there,
    read_file,
    whole_path,
)
from harness.errors import ConfigError, Finding, Location, NetlistError, Severity
from harness.jobs.choices import SHUTTLE
from harness.jobs.find import in_folder
from harness.jobs.first_start import compiling_beside
from harness.netlist import Progress, Source, quiet, read_source
from harness.shuttle import Shuttle, check_shuttle, is_module, is_name, parse_toml, with_element

BOARD = Path("board.toml")
FIRST_ADDRESS = 1
"""A register that nothing has set holds 0 as a rule, so 0 would not show a dead selection."""


@dataclass(frozen=True)
class NewDesign:
    """What became of a new design.

    ``written`` are the new files; none if the top module does not fit the chip. ``copied`` are the
    Verilog files that were copied into its folder. ``listed``: ``shuttle.toml`` was changed.
    ``wrapper`` is the text of a module that fits, empty if none is needed.
    """

    proposal: Proposal
    written: tuple[Path, ...]
    copied: tuple[Path, ...] = ()
    listed: bool = False
    wrapper: str = ""


def new_shuttle(path: str | Path = SHUTTLE) -> Path:
    """Write the start of a ``shuttle.toml``, to be edited. Raises ConfigError if it is there."""
    return _write({in_folder(path, SHUTTLE): SHUTTLE_TEXT.encode("utf-8")})[0]


def new_board(path: str | Path = BOARD, shuttle: str | Path = SHUTTLE) -> Path:
    """Write the start of a board profile for a shuttle, to be edited.

    Raises ConfigError if it is there, or if the shuttle cannot be read.
    """
    return _write({in_folder(path, BOARD): board_text(_shuttle(shuttle)).encode("utf-8")})[0]


def new_design(
    name: str,
    verilog: Sequence[str | Path],
    top: str = "",
    shuttle: str | Path = SHUTTLE,
    progress: Progress = quiet,
) -> NewDesign:
    """Start a design from its Verilog: its folder, ``design.toml`` and the head of a table.

    Verilog files that are not in the folder are copied into it, and the folder is listed in the
    shuttle. The top module is ``top``, or the one named as the design, or the only one that no
    other module uses. Nothing is written if it has ports that do not fit: then the result holds a
    wrapper. Raises ConfigError if the shuttle or a file cannot be read or a file is there
    already, NetlistError if the Verilog cannot be read.
    """
    chip = _shuttle(shuttle)
    if not is_name(name):
        advice = "use letters, digits and underscores, starting with a letter"
        message = f'"{name[:60]}" cannot name a design'
        raise ConfigError.of("bad-name", chip.path, message, advice)
    files = [Path(file) for file in verilog]
    if len({file.name for file in files}) < len(files):
        message = "two Verilog files have one name, and a design has one folder"
        raise ConfigError.of("file-there", chip.path, message, "rename one of them")
    if top and not is_module(top):
        message = f"{top[:60]!r} cannot be the name of a Verilog module"
        raise ConfigError.of("bad-top", chip.path, message, "give the top module's name")
    sources = {file: read_file(file, MAX_NETLIST_BYTES) for file in files}
    with compiling_beside(progress) as step:
        proposal = propose(_source(files, top, name, step), chip)
    if not proposal.fits:
        return NewDesign(proposal, (), wrapper=wrapper_text(proposal))
    folder = chip.path.parent / name
    copies = {folder / file.name: file for file in files if whole_path(file).parent != folder}
    address = max((one.address for one in chip.designs), default=FIRST_ADDRESS - 1) + 1
    texts = new_files(name, proposal, [file.name for file in files], address)
    new = {folder / file: text.encode("utf-8") for file, text in texts.items()}
    written = _write(new | {to: sources[file] for to, file in copies.items()})
    return NewDesign(proposal, written[:2], written[2:], _list(chip.path, name))


def new_wrapper(path: str | Path, design: NewDesign) -> Path:
    """Write the wrapper of a top module that does not fit. Raises ConfigError if it is there."""
    return _write({Path(path): design.wrapper.encode("utf-8")})[0]


def _source(files: Sequence[Path], top: str, name: str, progress: Progress) -> Source:
    """Read the top module: the one asked for, else the one that is called as the design."""
    if top:
        return read_source(files, top, progress)
    try:
        return read_source(files, name, progress)
    except NetlistError as error:
        if f"`{name}' not found" not in str(error):
            raise
    return read_source(files, "", progress)


def _shuttle(path: str | Path) -> Shuttle:
    """Read the chip's pins and addresses; mistakes in its designs do not matter here."""
    shuttle, findings = check_shuttle(in_folder(path, SHUTTLE))
    own = [
        item
        for item in findings
        if item.severity is Severity.ERROR
        and item.rule != "no-designs"
        and (shuttle is None or whole_path(item.location.path) == shuttle.path)
    ]
    if shuttle is None or own:
        missing = any(item.rule == "file-missing" for item in own)
        advice = "write one with `harness new --shuttle`, or name its folder with --in"
        raise ConfigError(
            [Finding("no-shuttle", own[0].location, "there is no shuttle here", advice)]
            if missing and shuttle is None
            else own
        )
    return shuttle


def _list(path: Path, name: str) -> bool:
    """Add a design's folder to the shuttle's list; False if it is there."""
    text = read_file(path, MAX_SETTINGS_BYTES).decode("utf-8")
    if name in parse_toml(text).get("designs", ()):
        return False
    write_file(path, [with_element(path, text, "designs", name).encode("utf-8")])
    return True


def _write(files: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Write new files, all or none; raises ConfigError if one is there."""
    there = [path for path in files if is_there(path)]
    if there:
        advice = "nothing was written; move it away, or edit it"
        raise ConfigError(
            Finding("file-there", Location(path), "this file is there already", advice)
            for path in there
        )
    for path, data in files.items():
        write_file(path, [data])
    return tuple(files)

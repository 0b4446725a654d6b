"""What the guides say is to be done to add something, done: the files that they name, no others."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import harness
from tests.system.virtual import PROFILE, SHUTTLE, board

HERE = Path(harness.__file__).parent
RUN = """
import json, sys
from pathlib import Path
from harness.board import RunConditions, load_profile, open_session, pattern_rates
from harness.shuttle import load_shuttle
from harness.table import load_table

port, shuttle_path, profile_path = sys.argv[1:]
shuttle = load_shuttle(Path(shuttle_path))
profile = load_profile(Path(profile_path), shuttle)
design = shuttle.designs_by_name["crc16"]
pattern = load_table(design.tables[0], design, shuttle)
session = open_session(port, profile, shuttle)
session.select(design)
capture = session.run(pattern, RunConditions(clock_hz=1e4))
grid = pattern_rates(profile.about, profile.max_rate_hz, pattern)
session.close()
print(json.dumps([session.identity.backend, capture.cycles, capture.mismatch_count, grid.tick_ns]))
"""


def house(folder: Path, room: str) -> Path:
    """The package with one room copied, to be changed; the others are the real ones."""
    root = folder / "harness"
    root.mkdir()
    for path in HERE.iterdir():
        if path.name != room:
            (root / path.name).symlink_to(path)
    shutil.copytree(HERE / room, root / room)  # with what was compiled of it
    return root / room


def replace_once(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_pins_module_is_one_file_and_its_name_in_the_registry(tmp_path: Path) -> None:
    room = house(tmp_path, "agent")
    twin = room / "pins_twin.py"
    twin.write_bytes((room / "pins_virtual.py").read_bytes())
    replace_once(twin, 'name = "virtual"', 'name = "twin"')
    replace_once(twin, '"tick_ns": 1,', '"tick_ns": 500,')
    replace_once(room / "backends.py", '"sio", "virtual")', '"sio", "virtual", "twin")')
    profile = tmp_path / "wader.toml"
    profile.write_text(PROFILE.read_text(encoding="utf-8"), encoding="utf-8")
    replace_once(profile, 'backend = "generic"', 'backend = "twin"')
    with board() as port:
        done = subprocess.run(
            [sys.executable, "-c", RUN, port, str(SHUTTLE), str(profile)],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(tmp_path)},  # boards start without the folder
            capture_output=True,
            text=True,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, "")
    who, cycles, mismatches, tick_ns = json.loads(done.stdout)
    assert (who, mismatches, tick_ns) == ("twin", 0, 500)
    assert cycles > 0


NOISY = '''
@dataclass(frozen=True)
class NetNoisy(ForcedNet):
    """A net that is high in a share of all cycles."""

    share: Share

    @property
    def force(self) -> Force:
        """High, now and then."""
        return Force(1, self.share, seed=7)


ChipDefect = NetNoisy | '''


def test_a_kind_of_defect_is_one_class_among_the_faults(tmp_path: Path) -> None:
    room = house(tmp_path, "virtual")
    replace_once(room / "faults.py", "\nChipDefect = ", NOISY)
    rack = tmp_path / "rack.toml"
    rack.write_text(
        f'name = "one"\nshuttle = "{SHUTTLE}"\nprofile = "{PROFILE}"\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n'
        '[[slot.defect]]\nkind = "net-noisy"\ndesign = "crc16"\nnet = "rem[3]"\nshare = 1.0\n',
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-m", "harness", "run", str(rack), "--designs", "crc16"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},  # boards start without the folder
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "FAIL" in done.stdout

"""Every attack by its name."""

from __future__ import annotations

from collections.abc import Mapping

from tests.attack.attack import Prepare
from tests.attack.boards import liars, prompts
from tests.attack.bundles import bundles
from tests.attack.handovers import handovers
from tests.attack.jesd3 import jesd3_files
from tests.attack.lists import lists
from tests.attack.models import models
from tests.attack.names import names
from tests.attack.netlists import bench_netlists, yosys_netlists
from tests.attack.records import journals, run_files, stores
from tests.attack.replays import replays
from tests.attack.settings import settings_of
from tests.attack.sheets import ods_sheets, xlsx_sheets
from tests.attack.tables import csv_tables, tsv_tables
from tests.attack.wires import wires

KINDS: Mapping[str, Prepare] = {
    "csv": csv_tables,
    "tsv": tsv_tables,
    "jesd3": jesd3_files,
    "list": lists,
    "model": models,
    "ods": ods_sheets,
    "xlsx": xlsx_sheets,
    "shuttle": settings_of("shuttle.toml"),
    "design": settings_of("count/design.toml"),
    "profile": settings_of("wader.toml"),
    "rack": settings_of("rack.toml"),
    "yosys": yosys_netlists,
    "bench": bench_netlists,
    "run-file": run_files,
    "journal": journals,
    "store": stores,
    "handover": handovers,
    "bundle": bundles,
    "replay": replays,
    "name": names,
    "prompt": prompts,
    "liar": liars,
    "wire": wires,
}

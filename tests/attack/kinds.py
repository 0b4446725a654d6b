"""Every attack by its name."""

from __future__ import annotations

from collections.abc import Mapping

from tests.attack.attack import Prepare
from tests.attack.sheets import ods_sheets, xlsx_sheets
from tests.attack.tables import csv_tables, tsv_tables

KINDS: Mapping[str, Prepare] = {
    "csv": csv_tables,
    "tsv": tsv_tables,
    "ods": ods_sheets,
    "xlsx": xlsx_sheets,
}

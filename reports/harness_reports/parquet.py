"""Outcomes, causes, wrong pins and limits of many runs as Apache Parquet files.

The one rule: the columns are those of the data frames, with types that do not depend on the data;
a run is one group of rows, so that memory does not grow with the number of runs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import StoreError
from harness.records import MarginRecord, RunRecord
from harness_reports.frame import (
    CAUSE_COLUMNS,
    COLUMNS,
    MARGIN_COLUMNS,
    PIN_COLUMNS,
    Columns,
    causes_frame,
    margins_frame,
    outcomes_frame,
    pins_frame,
)
from harness_reports.write import saying_why

if TYPE_CHECKING:
    import pandas as pd

FILES: dict[str, Columns] = {
    "outcomes": COLUMNS,
    "causes": CAUSE_COLUMNS,
    "pins": PIN_COLUMNS,
    "margins": MARGIN_COLUMNS,
}
"""Each file, ``NAME.parquet``, and its columns."""


@dataclass(frozen=True)
class ParquetFiles:
    """Files that are being written; ``rows`` counts what was written to each.

    ``unwritable`` begins the message if that fails.
    """

    unwritable: str
    writers: Mapping[str, Any]
    rows: dict[str, int] = field(default_factory=lambda: dict.fromkeys(FILES, 0))

    def add_run(self, run: RunRecord) -> None:
        """Add the outcomes, causes and wrong pins of a run."""
        self._add("outcomes", outcomes_frame(run))
        self._add("causes", causes_frame(run))
        self._add("pins", pins_frame(run))

    def add_margins(self, margins: Sequence[MarginRecord]) -> None:
        """Add margins."""
        self._add("margins", margins_frame(margins))

    def _add(self, name: str, frame: pd.DataFrame) -> None:
        import pyarrow as pa  # noqa: PLC0415 - as below

        if frame.empty:
            return
        schema = arrow_schema(FILES[name])
        with saying_why(self.unwritable):
            table = pa.Table.from_pandas(frame, schema, preserve_index=False)
            self.writers[name].write_table(table)
        self.rows[name] += len(frame)


@contextmanager
def parquet_files(folder: Path) -> Iterator[ParquetFiles]:
    """Write the files of :data:`FILES` into a folder; they are there once the context has ended.

    Raises StoreError if a file cannot be written, or pyarrow is not installed; nothing is then
    left behind, and earlier files stay.
    """
    try:
        from pyarrow import parquet  # noqa: PLC0415 - optional, and slow to load
    except ImportError as missing:
        message = "Parquet needs the package pyarrow; run: pip install 'harness[parquet]'"
        raise StoreError(message) from missing
    opened, parts, writers = ExitStack(), dict[str, Path](), {}
    unwritable = f"{folder}: Parquet files cannot be written"
    try:
        with saying_why(unwritable):
            folder.mkdir(parents=True, exist_ok=True)
            for name, columns in FILES.items():
                part = folder / f".{name}.part"
                writer = parquet.ParquetWriter(part, arrow_schema(columns))
                writers[name], parts[name] = opened.enter_context(writer), part
        yield ParquetFiles(unwritable, writers)
        with saying_why(unwritable):
            opened.close()
            for name, part in parts.items():
                part.replace(folder / f"{name}.parquet")
    finally:
        try:
            with saying_why(unwritable):
                opened.close()
        finally:
            for part in parts.values():
                part.unlink(missing_ok=True)


def arrow_schema(columns: Columns) -> Any:
    """Return the Arrow schema of these columns; a value may be missing in any of them."""
    import pyarrow as pa  # noqa: PLC0415 - as above

    types = {
        "str": pa.string(),
        "bool": pa.bool_(),
        "boolean": pa.bool_(),
        "int64": pa.int64(),
        "Int64": pa.int64(),
        "float64": pa.float64(),
        "datetime64[us, UTC]": pa.timestamp("us", "UTC"),
    }
    return pa.schema([(name, types[dtype]) for name, (dtype, _) in columns.items()])

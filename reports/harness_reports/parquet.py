"""Outcomes, causes, wrong pins and limits of many runs as Apache Parquet files.

The one rule: the columns are those of the data frames, with types that do not depend on the data;
a run is one group of rows, so that memory does not grow with the number of runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

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
from harness_reports.write import why_unwritable

if TYPE_CHECKING:
    import pandas as pd

FILES: dict[str, Columns] = {
    "outcomes": COLUMNS,
    "causes": CAUSE_COLUMNS,
    "pins": PIN_COLUMNS,
    "margins": MARGIN_COLUMNS,
}
"""Each file, ``NAME.parquet``, and its columns."""


class ParquetFiles:
    """Writes the files of :data:`FILES` into a folder; they are there once the context has ended.

    ``rows`` counts what was written to each. Raises StoreError if a file cannot be written, or
    pyarrow is not installed; nothing is then left behind, and earlier files stay.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rows = dict.fromkeys(FILES, 0)
        self._open = ExitStack()
        self._writers: dict[str, Any] = {}

    def __enter__(self) -> Self:
        """Begin the files under temporary names."""
        try:
            from pyarrow import parquet  # noqa: PLC0415 - optional, and slow to load
        except ImportError as missing:
            message = "Parquet needs the package pyarrow; run: pip install 'harness[parquet]'"
            raise StoreError(message) from missing
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for name, columns in FILES.items():
                writer = parquet.ParquetWriter(self._part(name), arrow_schema(columns))
                self._writers[name] = self._open.enter_context(writer)
        except OSError as reason:
            self._give_up()
            raise self._unwritable(reason) from reason
        return self

    def add_run(self, run: RunRecord) -> None:
        """Add the outcomes, causes and wrong pins of a run."""
        self._add("outcomes", outcomes_frame(run))
        self._add("causes", causes_frame(run))
        self._add("pins", pins_frame(run))

    def add_margins(self, margins: Sequence[MarginRecord]) -> None:
        """Add margins."""
        self._add("margins", margins_frame(margins))

    def _add(self, name: str, frame: pd.DataFrame) -> None:
        import pyarrow as pa  # noqa: PLC0415 - as above

        if frame.empty:
            return
        schema = arrow_schema(FILES[name])
        try:
            self._writers[name].write_table(
                pa.Table.from_pandas(frame, schema, preserve_index=False)
            )
        except OSError as reason:
            raise self._unwritable(reason) from reason
        self.rows[name] += len(frame)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the files their names; after an error, remove them."""
        try:
            self._open.close()
            if kind is None:
                for name in FILES:
                    self._part(name).replace(self.folder / f"{name}.parquet")
        except OSError as reason:
            raise self._unwritable(reason) from reason
        finally:
            self._give_up()

    def _give_up(self) -> None:
        self._open.close()
        for name in self._writers:
            self._part(name).unlink(missing_ok=True)

    def _part(self, name: str) -> Path:
        return self.folder / f".{name}.part"

    def _unwritable(self, reason: OSError) -> StoreError:
        why = why_unwritable(reason)
        return StoreError(f"{self.folder}: Parquet files cannot be written: {why}")


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

"""The JSON file of a run, and its JSON Schema.

The one rule: the file carries the whole record, so that every other product can be made from it
again; :func:`read_run_json` gives back what :func:`run_json` was given. ``schema`` in the file
is the version below; it is raised whenever a reader of the old form would go wrong.
"""

from __future__ import annotations

import json
import typing
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from harness.door import MAX_RECORD_BYTES, read_file
from harness.errors import FileUnusable, StoreError
from harness.records import (
    CodecError,
    JsonValue,
    MarginRecord,
    RunRecord,
    decode,
    encode,
    to_lines,
)
from harness_reports.distribution import lots_of_run
from harness_reports.traffic import exchanges_of

FORMAT = "harness-run"
SCHEMA = 4
"""Version of the form: 2 has the ``kind`` of a run, 3 an outcome's ``reason``,
4 the causes and continuity tests of a run."""


def run_json(run: RunRecord, margins: Sequence[MarginRecord] = ()) -> str:
    """Return the run as JSON text: ASCII, indented, ending in a newline.

    ``verdicts`` repeats each chip's verdict, worked out, for readers that want no more. Of
    ``margins`` those that the run measured stand beside the run, with the ``lots`` of chips that
    they are compared with, and so do ``exchanges``: the decoded serial traffic of failing tables
    around the first difference.
    """
    return "".join(run_json_pieces(run, margins))


def run_json_pieces(run: RunRecord, margins: Sequence[MarginRecord] = ()) -> Iterator[str]:
    """Give the text of :func:`run_json` chip by chip, so that it can be sent while it is made."""
    verdicts = [{"chip": chip.chip_serial, "slot": chip.slot, "verdict": chip.verdict.value}
                for chip in run.chips]  # fmt: skip
    head = {"format": FORMAT, "schema": SCHEMA, "verdicts": verdicts}
    before, after = _text(replace(run, chips=()), 1).split(_NO_CHIPS, 1)
    yield to_lines(head).removesuffix("\n}") + ',\n  "run": ' + before
    yield from _listed("chips", run.chips, 2)
    yield after
    own = [margin for margin in margins if margin.run_id == run.run_id]
    lots = lots_of_run(run.run_id, margins)
    beside = {"margins": own, "lots": lots, "exchanges": list(exchanges_of(run))}
    for key, records in beside.items():
        if records:
            yield ",\n  "
            yield from _listed(key, records, 1)
    yield "\n}\n"


def _text(record: object, depth: int) -> str:
    """Return the text of a record whose braces stand ``depth`` steps of indentation deep."""
    return to_lines(encode(record)).replace("\n", "\n" + "  " * depth)


_NO_CHIPS = '"chips": []'
"""Comes first in a run's text where its chips belong: causes, which have chips too, follow."""


def _listed(key: str, records: Sequence[object], depth: int) -> Iterator[str]:
    """Give a key and the records under it, one at a time."""
    line = "\n" + "  " * depth
    yield f'"{key}": ['
    for number, record in enumerate(records):
        yield f"{',' if number else ''}{line}  {_text(record, depth + 1)}"
    yield f"{line}]" if records else "]"


def read_run_json(path: Path) -> RunRecord:
    """Read a run back from the file that :func:`run_json` made.

    Raises StoreError naming the file, the place in it, and what is wrong.
    """
    try:
        return parse_run_json(read_file(path, MAX_RECORD_BYTES))
    except FileUnusable as error:
        raise StoreError(f"{path}: {error.finding.message}") from error
    except StoreError as reason:
        raise StoreError(f"{path}: {reason}") from reason


def parse_run_json(data: bytes | str) -> RunRecord:
    """Read a run back from JSON text. Raises StoreError."""
    try:
        whole = json.loads(data)
        run = decode(RunRecord, _checked(whole), "run")
    except CodecError as reason:
        raise StoreError(str(reason)) from reason
    except (ValueError, RecursionError) as reason:
        msg = f"not JSON: {reason}; the file was cut short or is another file"
        raise StoreError(msg) from reason
    return run


def _checked(whole: JsonValue) -> JsonValue:
    if not isinstance(whole, dict) or whole.get("format") != FORMAT:
        raise CodecError(f'not a run: "format": "{FORMAT}" is missing')
    if whole.get("schema") != SCHEMA:
        raise CodecError(
            f"schema {whole.get('schema')} found, {SCHEMA} wanted;"
            " read it with the version of the tool that wrote it"
        )
    return typing.cast("JsonValue", whole.get("run"))

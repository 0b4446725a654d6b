"""The JSON Schema of ``run.json``, made from the record classes: ``reports/run.schema.json``."""

from __future__ import annotations

from typing import Any

from harness.records import MarginLot, MarginRecord, RunRecord, schema_of
from harness_reports.run_json import FORMAT, SCHEMA
from harness_reports.traffic import TableExchange


def run_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the file, made from the record classes themselves."""
    definitions: dict[str, Any] = {}
    verdict = {
        "type": "object",
        "properties": {name: {"type": "string"} for name in ("chip", "slot", "verdict")},
        "required": ["chip", "slot", "verdict"],
        "additionalProperties": False,
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "One run: every chip, every outcome, and the evidence",
        "type": "object",
        "properties": {
            "format": {"const": FORMAT},
            "schema": {"const": SCHEMA},
            "verdicts": {"type": "array", "items": verdict},
            "run": schema_of(RunRecord, definitions),
            "margins": schema_of(tuple[MarginRecord, ...], definitions),
            "lots": schema_of(tuple[MarginLot, ...], definitions),
            "exchanges": schema_of(tuple[TableExchange, ...], definitions),
        },
        "required": ["format", "schema", "verdicts", "run"],
        "additionalProperties": False,
        "$defs": dict(sorted(definitions.items())),
    }

"""What people and CI read, made from stored outcomes only.

One module a product: ``html``, ``card``, ``junit``, ``run_json``, ``waveform``, ``frame``,
``history``, ``ticket``, ``summary``; ``run_files`` says which of them a run has, and ``write`` puts
them into a folder.
The one rule: a report is worked out from a record and nothing else.
"""

from harness.blame import odds_text
from harness.errors import many
from harness_reports.card import report_of, write_card
from harness_reports.causes import candidate_text, decision_text
from harness_reports.frame import causes_frame, margins_frame, outcomes_frame
from harness_reports.history import margins_of
from harness_reports.history_write import (
    WrittenHistories,
    history_html,
    history_policy,
    subjects_html,
    write_histories,
)
from harness_reports.html import chip_html, file_text, page_environment
from harness_reports.junit import chip_junit, evidence_text
from harness_reports.looks import Look, Tally, look
from harness_reports.margin_texts import edge_text, limit_text
from harness_reports.margin_view import drop_text, exactly
from harness_reports.margin_write import write_margins
from harness_reports.mismatches import mismatches_csv
from harness_reports.names import drawn_outcomes, is_device_name, safe_name
from harness_reports.parquet import ParquetFiles
from harness_reports.run_files import PartOfRun, design_of_file, run_file, shown_pages, slot_of_file
from harness_reports.run_json import parse_run_json, read_run_json, run_json
from harness_reports.secrets import Scrubber
from harness_reports.since import baseline_text
from harness_reports.summary import run_markdown
from harness_reports.table_drawing import table_drawing
from harness_reports.texts import clock
from harness_reports.ticket import is_ticket, ticket_markdown
from harness_reports.waveform import Heading as WaveHeading
from harness_reports.waveform import table_waveform, waveform
from harness_reports.ways import Anchor, Beyond, Links, Ways
from harness_reports.write import WrittenReports, remove_file, why_unwritable, write_file, write_run

__all__ = [
    "Anchor",
    "Beyond",
    "Links",
    "Look",
    "ParquetFiles",
    "PartOfRun",
    "Scrubber",
    "Tally",
    "WaveHeading",
    "Ways",
    "WrittenHistories",
    "WrittenReports",
    "baseline_text",
    "candidate_text",
    "causes_frame",
    "chip_html",
    "chip_junit",
    "clock",
    "decision_text",
    "design_of_file",
    "drawn_outcomes",
    "drop_text",
    "edge_text",
    "evidence_text",
    "exactly",
    "file_text",
    "history_html",
    "history_policy",
    "is_device_name",
    "is_ticket",
    "limit_text",
    "look",
    "many",
    "margins_frame",
    "margins_of",
    "mismatches_csv",
    "odds_text",
    "outcomes_frame",
    "page_environment",
    "parse_run_json",
    "read_run_json",
    "remove_file",
    "report_of",
    "run_file",
    "run_json",
    "run_markdown",
    "safe_name",
    "shown_pages",
    "slot_of_file",
    "subjects_html",
    "table_drawing",
    "table_waveform",
    "ticket_markdown",
    "waveform",
    "why_unwritable",
    "write_card",
    "write_file",
    "write_histories",
    "write_margins",
    "write_run",
]

# What ``harness_reports`` shows, and where each name comes from.

from .card import report_of, write_card
from .causes import against_text, decision_text, explanation_text
from .frame import causes_frame, margins_frame, outcomes_frame
from .grade_view import count_text, fault_counts, why_missed, write_grades
from .handovers import wakes_text
from .history import margins_of
from .history_write import (
    WrittenHistories,
    history_html,
    history_page,
    history_policy,
    subjects_html,
    write_histories,
)
from .html import chip_html, file_text, page_environment
from .junit import chip_junit, evidence_text
from .looks import Look, Tally, look
from .margin_texts import edge_text, limit_text
from .margin_view import drop_text, exactly
from .margin_write import write_margins
from .mismatches import mismatches_csv
from .names import drawn_outcomes, is_device_name, safe_name, since_page
from .parquet import ParquetFiles
from .run_files import (
    PartOfRun,
    design_of_file,
    run_file,
    run_of_file,
    shown_pages,
    slot_of_file,
)
from .run_json import parse_run_json, read_run_json, run_json
from .secrets import Scrubber
from .since import baseline_text
from .summary import run_markdown
from .suspects import (
    separation_text,
    suspect_fit,
    suspect_place,
    suspect_text,
    suspects_heading,
    suspects_json,
)
from .table_drawing import table_drawing
from .texts import clock, duration, percent
from .ticket import is_ticket, ticket_markdown
from .waveform import WaveHeading, table_waveform, waveform
from .ways import Anchor, Beyond, Links, Ways
from .write import (
    WrittenReports,
    remove_file,
    why_unwritable,
    write_file,
    write_run,
    write_since,
)

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
    "against_text",
    "baseline_text",
    "causes_frame",
    "chip_html",
    "chip_junit",
    "clock",
    "count_text",
    "decision_text",
    "design_of_file",
    "drawn_outcomes",
    "drop_text",
    "duration",
    "edge_text",
    "evidence_text",
    "exactly",
    "explanation_text",
    "fault_counts",
    "file_text",
    "history_html",
    "history_page",
    "history_policy",
    "is_device_name",
    "is_ticket",
    "limit_text",
    "look",
    "margins_frame",
    "margins_of",
    "mismatches_csv",
    "outcomes_frame",
    "page_environment",
    "parse_run_json",
    "percent",
    "read_run_json",
    "remove_file",
    "report_of",
    "run_file",
    "run_json",
    "run_markdown",
    "run_of_file",
    "safe_name",
    "separation_text",
    "shown_pages",
    "since_page",
    "slot_of_file",
    "subjects_html",
    "suspect_fit",
    "suspect_place",
    "suspect_text",
    "suspects_heading",
    "suspects_json",
    "table_drawing",
    "table_waveform",
    "ticket_markdown",
    "wakes_text",
    "waveform",
    "why_missed",
    "why_unwritable",
    "write_card",
    "write_file",
    "write_grades",
    "write_histories",
    "write_margins",
    "write_run",
    "write_since",
]

"""What people and CI read, made from stored outcomes only.

One module a product: ``html``, ``junit``, ``run_json``, ``waveform``, ``frame``; ``write`` puts
them all into a folder. The one rule: a report is worked out from a record and nothing else.
"""

from reports.frame import outcomes_frame
from reports.html import chip_html, index_html
from reports.junit import chip_junit, run_junit
from reports.run_json import parse_run_json, read_run_json, run_json, run_schema
from reports.waveform import waveform
from reports.write import WrittenChip, WrittenReports, write_run

__all__ = [
    "WrittenChip",
    "WrittenReports",
    "chip_html",
    "chip_junit",
    "index_html",
    "outcomes_frame",
    "parse_run_json",
    "read_run_json",
    "run_json",
    "run_junit",
    "run_schema",
    "waveform",
    "write_run",
]

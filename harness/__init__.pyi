# What ``harness`` shows, and where each name comes from.

from .bundle import Comparison, Likeness, Places
from .convert import Edge, Recipe, Sample, Stimulus, Wanted
from .hand import HandledChip
from .jobs.accept import Accepted, accept
from .jobs.bundle import WrittenBundle, write_bundle
from .jobs.check import check
from .jobs.choices import LATEST, RUNS, SHUTTLE, STORE, Cells, OnFailure, PatternFormat
from .jobs.compact import CompactTable, KeptLines, TableSize, compact_tables
from .jobs.compare import Difference, compare_runs, write_changes
from .jobs.demo import copy_demo, deserved
from .jobs.diagnose import Diagnosed, diagnose_chip, write_suspects
from .jobs.event_line import event_line
from .jobs.expand import expand_transactions
from .jobs.export import Exported, export_table
from .jobs.find import load_table
from .jobs.generate import GeneratedTable, generate_table
from .jobs.grade import GradedDesign, grade_tables, kept_grades
from .jobs.handover import HandedOver, hand_over, take_back
from .jobs.history import history
from .jobs.import_dump import ImportedTable, ImportOptions, import_dump
from .jobs.import_jesd3 import JEDEC_SUFFIXES, import_jesd3
from .jobs.intake import Script, Sitting, Terminal, hold_intake
from .jobs.log import tool_log
from .jobs.margin import Wish, search_margins, write_margin_pages
from .jobs.netlist import MadeNetlist, Net, list_nets, make_netlist
from .jobs.new import BOARD, NewDesign, new_board, new_design, new_shuttle, new_wrapper
from .jobs.night import Night, night
from .jobs.night_margins import NightMargins
from .jobs.open_chip import open_chip
from .jobs.parquet import WrittenParquet, write_parquet
from .jobs.recorder import Recording, record_amaranth, record_cocotb
from .jobs.rehearse import RehearsedTable, rehearse_tables
from .jobs.replay import MAX_CYCLES, Replay, ReplayTarget, replay
from .jobs.report import (
    causes,
    evidence,
    margins,
    outcomes,
    stored_run,
    write_reports,
    write_summary,
)
from .jobs.run import run
from .jobs.stale import stale_netlists
from .jobs.strengthen import StrongerTable, strengthen_table
from .jobs.testbench import WrittenTestbench, write_testbench
from .jobs.triage import Triage, overrule, triage
from .jobs.wave import write_waves
from .judge import NightChanges, RetryPolicy
from .margin import MarginEvent, MarginFound, MarginObserver, PointTried
from .rack import (
    VIRTUAL_PORT,
    CyclesDone,
    Event,
    Observer,
    PortCheck,
    Rack,
    RackNews,
    SerialPort,
    Slot,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
    TableStarted,
    examine_port,
    load_rack,
    needs_place,
    serial_ports,
    single_slot,
)
from .records import UNKNOWN_CHIP, RunRecord, Verdict
from .shuttle import Shuttle, load_shuttle
from .spread import Workers, usable_cores
from .store import Store
from .supply import SupplySpec, cautions
from .watch import watching

__all__ = [
    "BOARD",
    "JEDEC_SUFFIXES",
    "LATEST",
    "MAX_CYCLES",
    "RUNS",
    "SHUTTLE",
    "STORE",
    "UNKNOWN_CHIP",
    "VIRTUAL_PORT",
    "Accepted",
    "Cells",
    "CompactTable",
    "Comparison",
    "CyclesDone",
    "Diagnosed",
    "Difference",
    "Edge",
    "Event",
    "Exported",
    "GeneratedTable",
    "GradedDesign",
    "HandedOver",
    "HandledChip",
    "ImportOptions",
    "ImportedTable",
    "KeptLines",
    "Likeness",
    "MadeNetlist",
    "MarginEvent",
    "MarginFound",
    "MarginObserver",
    "Net",
    "NewDesign",
    "Night",
    "NightChanges",
    "NightMargins",
    "Observer",
    "OnFailure",
    "PatternFormat",
    "Places",
    "PointTried",
    "PortCheck",
    "Rack",
    "RackNews",
    "Recipe",
    "Recording",
    "RehearsedTable",
    "Replay",
    "ReplayTarget",
    "RetryPolicy",
    "RunRecord",
    "Sample",
    "Script",
    "SerialPort",
    "Shuttle",
    "Sitting",
    "Slot",
    "SlotConnecting",
    "SlotFinished",
    "SlotRecovering",
    "Stimulus",
    "Store",
    "StrongerTable",
    "SupplySpec",
    "TableJudged",
    "TableSize",
    "TableStarted",
    "Terminal",
    "Triage",
    "Verdict",
    "Wanted",
    "Wish",
    "Workers",
    "WrittenBundle",
    "WrittenParquet",
    "WrittenTestbench",
    "accept",
    "causes",
    "cautions",
    "check",
    "compact_tables",
    "compare_runs",
    "copy_demo",
    "deserved",
    "diagnose_chip",
    "event_line",
    "evidence",
    "examine_port",
    "expand_transactions",
    "export_table",
    "generate_table",
    "grade_tables",
    "hand_over",
    "history",
    "hold_intake",
    "import_dump",
    "import_jesd3",
    "kept_grades",
    "list_nets",
    "load_rack",
    "load_shuttle",
    "load_table",
    "make_netlist",
    "margins",
    "needs_place",
    "new_board",
    "new_design",
    "new_shuttle",
    "new_wrapper",
    "night",
    "open_chip",
    "outcomes",
    "overrule",
    "record_amaranth",
    "record_cocotb",
    "rehearse_tables",
    "replay",
    "run",
    "search_margins",
    "serial_ports",
    "single_slot",
    "stale_netlists",
    "stored_run",
    "strengthen_table",
    "take_back",
    "tool_log",
    "triage",
    "usable_cores",
    "watching",
    "write_bundle",
    "write_changes",
    "write_margin_pages",
    "write_parquet",
    "write_reports",
    "write_summary",
    "write_suspects",
    "write_testbench",
    "write_waves",
]

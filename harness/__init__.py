"""Runs vector tables on shuttle chips and keeps verdicts with their evidence.

Every job of the tool is a function here, and each command of the command line calls one of them::

    import harness

    rack = harness.load_rack("ci/demo-rack.toml")
    record = harness.run(rack, store="runs/harness.sqlite", designs=["crc*"])
    print(record.chips[0].verdict)
    table = harness.outcomes(record)            # a pandas DataFrame, one row per table and chip
    harness.write_reports(record, "runs")

``check``, ``rehearse_tables``, ``run``, ``night``, ``accept``, ``hold_intake``,
``search_margins``, ``write_bundle``, ``replay``, ``write_reports`` and ``history`` are the jobs.
Errors are those of ``harness.errors``; a chip that fails and a board that is silent are no errors
but outcomes of the record. Names are listed in ``__init__.pyi`` and loaded when they are first
asked for: small tools need not load pandas.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)

"""Faults of connections that the continuity test of a rack cannot show.

One rule: a check takes no time to work anything out; it repeats what a run has left in the cache.
"""

from __future__ import annotations

from harness.errors import Finding, Location, Severity, some
from harness.rack import Rack, read_jobs
from harness.rehearse import Cache, fewest_tables, kept_predictions, unconvicted

MAX_SHOWN = 5
"""Maximum number of faults that are named."""


def unproven(rack: Rack, cache: Cache) -> list[Finding]:
    """Warn about faults, of pins that designs use, under which every table of the test passes.

    Nothing is said before the predictions of its tables were worked out.
    """
    shuttle = rack.shuttle
    wanted = [
        (design, spec)
        for design in shuttle.designs
        for spec in design.tables
        if (f"{design.name}/{spec.name}" in shuttle.pin_check if shuttle.pin_check else spec.intake)
    ]
    jobs = [job[:3] for job in read_jobs(shuttle, wanted)[0]]
    predictions = kept_predictions(shuttle, jobs, rack.profile, cache)
    if predictions is None or not any(table.computed for table in predictions.tables.values()):
        return []
    tables = tuple(predictions.tables) if shuttle.pin_check else fewest_tables(predictions)
    used = {pin.name for design in shuttle.designs for bus in design.signals for pin in bus.pins}
    missed = [
        str(fault) for fault in unconvicted(predictions, tables) if used.issuperset(fault.pins)
    ]
    if not missed:
        return []
    return [
        Finding(
            "fault-not-shown",
            Location(shuttle.path),
            "no table of the continuity test fails under these faults of connections: "
            f"{some(missed, MAX_SHOWN)}",
            "add a table that moves or tests these pins, and name it in pin_check",
            Severity.WARNING,
        )
    ]

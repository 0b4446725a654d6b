"""JUnit XML of a chip and of a run, built with the ``junit-xml`` package.

The one rule: what comes out is valid against the schema that pytest's source package carries
(``junit-10.xsd``), so the attributes that ``junit-xml`` adds beyond it are taken off again.
FAIL and UNSTABLE are failures, ERROR and a slot that could not be used are errors, WAIVED and
NOT RUN are skipped, and so are failures already known from the baseline. Characters that XML
forbids appear escaped, not dropped.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from types import MappingProxyType
from xml.etree import ElementTree as ET  # builds only; nothing foreign is parsed here

from junit_xml import TestCase, TestSuite

from harness.errors import many, printable
from harness.judge import NightChanges
from harness.records import Cause, ChipOfRun, ChipRecord, Outcome, RunHeading, RunRecord, Verdict
from harness_reports.names import chip_name
from harness_reports.texts import agreement, conditions_text, pin_text, place
from harness_reports.traffic import shown_exchanges
from harness_reports.values import bus_lines, slip_lines

MAX_SHOWN_CYCLES = 8
"""Maximum number of failing cycles in the text of a failure; the pages show more."""

Known = Collection[tuple[str, str, str]]
"""Chip, design and table of failures that the baseline already has, identically: skipped."""

Attached = Mapping[tuple[str, str, str], str]
"""Slot, design and table → path of its waveform, where it has one."""


def chip_junit(
    run: RunRecord | ChipOfRun,
    chip: ChipRecord,
    changes: NightChanges | None = None,
    attached: Attached = MappingProxyType({}),
) -> bytes:
    """One chip's file: a ``testsuites`` element with one ``testsuite``."""
    return b"".join(_document([_suite(run, chip, _known(changes), attached)]))


def run_junit(
    run: RunRecord,
    changes: NightChanges | None = None,
    attached: Attached = MappingProxyType({}),
) -> Iterator[bytes]:
    """Give the file of the whole run chip by chip, so that it can be sent while it is made.

    It has one ``testsuite`` for each chip. A night that is incomplete by its ``changes`` has one
    more, with an error: tables that were not run are skipped, or in no suite at all, so this file
    alone would look harmless. Everything but the writing is done before this returns.
    """
    known = _known(changes)
    suites = [_suite(run, chip, known, attached) for chip in run.chips]
    if changes is not None and (run.cancelled or changes.lost):
        suites.append(_gaps_suite(run, changes))
    return _document(suites)


def _known(changes: NightChanges | None) -> Known:
    return () if changes is None else changes.known_failures


def _gaps_suite(run: RunHeading, changes: NightChanges) -> ET.Element:
    """List the tables of a night that were not run."""
    case = TestCase(name="everything was run", classname="night")
    left = [change for change in changes.untested if change.now is Verdict.NOT_RUN]
    names = [f"{c.slot} {c.chip_serial} {c.design}/{c.table}" for c in left]
    stopped = "the night was stopped; " if run.cancelled else ""
    lost = f", {len(changes.lost)} only in the baseline" if changes.lost else ""
    message = f"{stopped}not run: {many(len(names), 'table')}{lost}"
    case.add_error_info(printable(message), printable("\n".join(names)), "not run")
    return _element(run, "night", [case], {})


def _document(suites: Sequence[ET.Element]) -> Iterator[bytes]:
    root = ET.Element("testsuites")
    for name in ("tests", "failures", "errors"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in suites)))
    root.set("time", _seconds(sum(float(suite.get("time", "0")) for suite in suites)))
    return _written(root, suites)


def _written(root: ET.Element, suites: Sequence[ET.Element]) -> Iterator[bytes]:
    """Write an element with these below it, one after the other, indented like one document."""
    yield b"<?xml version='1.0' encoding='utf-8'?>\n"
    if not suites:
        yield ET.tostring(root) + b"\n"
        return
    begin, end = ET.tostring(root, "unicode", short_empty_elements=False).split("><")
    yield f"{begin}>\n".encode()
    for suite in suites:
        ET.indent(suite, level=1)
        yield f"  {ET.tostring(suite, 'unicode')}\n".encode()
    yield f"<{end}\n".encode()


def _suite(
    run: RunRecord | ChipOfRun, chip: ChipRecord, known: Known, attached: Attached
) -> ET.Element:
    causes = {cause.key: cause for cause in run.causes}
    name = printable(chip_name(chip))
    cases = []
    for outcome in chip.outcomes:
        case = _case(outcome, name, attached.get((chip.slot, outcome.design, outcome.table), ""))
        _mark(case, outcome, causes.get(outcome.cause), known)
        cases.append(case)
    if chip.trouble:
        cases.append(_slot_case(chip, name, known))
    return _element(run, name, cases, _properties(run, chip))


def _element(
    run: RunHeading, name: str, cases: Sequence[TestCase], properties: Mapping[str, str]
) -> ET.Element:
    suite = TestSuite(
        name=name,
        test_cases=cases,
        timestamp=run.started.isoformat(timespec="seconds"),
        properties={key: printable(text) for key, text in properties.items()},
    )
    element: ET.Element = suite.build_xml_doc()
    del element.attrib["disabled"]  # not in the schema
    element.set("time", _seconds(float(element.get("time", "0"))))
    for case in element.iter("testcase"):
        case.set("time", _seconds(float(case.get("time", "0"))))
    return element


def _seconds(value: float) -> str:
    return f"{value:.3f}"


def _key(outcome: Outcome) -> tuple[str, str, str]:
    return outcome.chip_serial, outcome.design, outcome.table


def _case(outcome: Outcome, chip: str, attached: str) -> TestCase:
    text = printable(_run_text(outcome))
    return TestCase(
        name=printable(outcome.table),
        classname=printable(f"{chip}.{outcome.design}"),
        elapsed_sec=outcome.seconds,
        stdout=f"{text}\n[[ATTACHMENT|{attached}]]" if attached else text,
    )


def _slot_case(chip: ChipRecord, name: str, known: Known) -> TestCase:
    case = TestCase(name=printable(f"slot {chip.slot}"), classname=f"{name}.slot")
    trouble = printable(chip.trouble)
    if chip.outcomes and all(_key(outcome) in known for outcome in chip.outcomes):
        case.add_skipped_info(f"Already known from the accepted run: {trouble}")
    else:
        case.add_error_info(trouble, trouble, "slot")
    return case


def _run_text(outcome: Outcome) -> str:
    return (
        f"{outcome.verdict}: {outcome.cycles} cycles, {outcome.mismatches} mismatches, "
        f"{conditions_text(outcome.conditions)}. {agreement(outcome.attempts)}"
    )


def _mark(case: TestCase, outcome: Outcome, cause: Cause | None, known: Known) -> None:
    """Add to a case what its verdict means; nothing for a pass."""
    summary, evidence = outcome.summary, printable(evidence_text(outcome, cause))
    message = printable(f"{outcome.verdict}: {summary}")
    if _key(outcome) in known:
        case.add_skipped_info(f"Already known from the accepted run: {message}", evidence)
        return
    match outcome.verdict:
        case Verdict.FAIL:
            case.add_failure_info(message, evidence, "mismatch")
        case Verdict.UNSTABLE:
            case.add_failure_info(message, evidence, "unstable")
        case Verdict.ERROR:
            case.add_error_info(message, evidence, outcome.origin.value)
        case Verdict.WAIVED:
            case.add_skipped_info(printable(f"WAIVED: {waiver_text(outcome)}"), evidence)
        case Verdict.NOT_RUN:
            case.add_skipped_info(message)


def waiver_text(outcome: Outcome) -> str:
    """Give a waiver's reason, owner, ticket and expiry."""
    waiver = outcome.waiver
    if waiver is None:
        return "no waiver on record"
    return f"{waiver.reason} (owner {waiver.owner}, ticket {waiver.ticket}, until {waiver.expiry})"


def evidence_text(outcome: Outcome, cause: Cause | None = None) -> str:
    """Write the evidence as plain lines: cause, values, advice, repeats, first cycles."""
    lines = [f"Cause {cause.key}: {cause.summary}"] if cause is not None else []
    lines += bus_lines(outcome)
    lines += [one.text for one in shown_exchanges(outcome) if one.wrong]
    lines += [f"{outcome.verdict}: {outcome.summary}", f"Likely cause: {outcome.origin}"]
    advice = outcome.advice if cause is None else cause.advice
    lines += [f"What to do: {advice}"] if advice else []
    lines += [f"The table: {slip}" for slip in slip_lines(outcome)]
    lines.append(agreement(outcome.attempts))
    for cycle in outcome.evidence[:MAX_SHOWN_CYCLES]:
        pins = "; ".join(pin_text(pin) for pin in cycle.wrong)
        lines.append(f"{place(cycle)}: {pins}")
    return "\n".join(lines)


def _properties(run: RunHeading, chip: ChipRecord) -> dict[str, str]:
    """What a reader of the suite asks for first; the rest is in ``run.json``."""
    properties = {
        "run": run.run_id,
        "shuttle": run.shuttle,
        "rack": run.rack,
        "slot": chip.slot,
        "board_serial": chip.board_serial,
        "board_kind": "virtual" if chip.virtual else "real",
        "pins_backend": chip.backend,
        "tool_version": run.tool_version,
        "conditions_sha256": conditions_sha256(chip),
    }
    for outcome in chip.outcomes:
        if outcome.verdict is Verdict.PASS:
            continue
        key = printable(f"{outcome.design}.{outcome.table}")
        properties[f"reason.{key}"] = outcome.reason.value
        if outcome.cause:
            properties[f"cause.{key}"] = outcome.cause
        if outcome.expired:
            properties[f"waiver.{key}"] = "expired"
    return properties


def conditions_sha256(chip: ChipRecord) -> str:
    """Hash of what was asked for, table by table, so that two runs can be compared."""
    asked = [
        (o.design, o.table, o.conditions.clock_hz, o.conditions.settle_us,
         o.conditions.reset_cycles)
        for o in chip.outcomes if o.conditions
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(sorted(asked)).encode("ascii")).hexdigest()

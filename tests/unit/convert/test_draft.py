"""The writer of tables: what it writes is read as it was meant."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.convert import (
    Draft,
    DraftRow,
    drafted,
    input_cell,
    output_cell,
    save_table,
)
from harness.errors import InputError
from harness.shuttle import Design, TableSpec
from harness.table import PLANES, Pattern, load_table
from tests.published.demo import shuttle

SHUTTLE = shuttle()
TABLES = [(design, spec) for design in SHUTTLE.designs for spec in design.tables]


def written(text: str, design: Design, folder: Path) -> Pattern:
    path = folder / "t.csv"
    path.write_text(text, encoding="utf-8")
    spec = replace(design.tables[0], name="t", path=path, latency={}, gap_free=False)
    return load_table(spec, design, SHUTTLE)


@pytest.mark.parametrize(("design", "spec"), TABLES, ids=lambda item: item.name)
def test_every_demo_table_survives_being_written(
    design: Design, spec: TableSpec, tmp_path: Path
) -> None:
    before = load_table(spec, design, SHUTTLE)
    after = written(drafted(before).text, design, tmp_path)
    for name in (*PLANES, "repeat", "until"):
        assert np.array_equal(getattr(after, name), getattr(before, name)), name
    assert after.labels == before.labels


@given(data=st.data())
@settings(max_examples=50)
def test_any_cell_is_read_as_it_was_meant(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    design = data.draw(st.sampled_from(SHUTTLE.designs))
    bus = data.draw(st.sampled_from(design.signals))
    value = data.draw(st.integers(0, (1 << bus.width) - 1))
    care = data.draw(st.integers(1, (1 << bus.width) - 1))
    words = {"driven": "", "tested": ""}
    if bus.can_be_driven:
        words["driven"] = input_cell(bus, value)
    if bus.can_be_tested:
        words["tested"] = output_cell(bus, value, care)
    other = next(s for s in design.signals if s.can_be_tested)
    rows = [DraftRow({bus.name: cell}, label=kind) for kind, cell in words.items() if cell]
    rows.append(DraftRow({other.name: output_cell(other, 0)}))  # a table without a test is refused
    text = Draft(tuple(dict.fromkeys((bus.name, other.name))), rows).text
    pattern = written(text, design, tmp_path_factory.mktemp("cells"))
    for row, label in pattern.labels.items():
        level, pins = ("drive", "enable") if label == "driven" else ("expect", "care")
        shown = sum(
            (int(getattr(pattern, level)[row]) >> pin.bit & 1) << k
            for k, pin in enumerate(reversed(bus.pins))
        )
        asked = sum(
            (int(getattr(pattern, pins)[row]) >> pin.bit & 1) << k
            for k, pin in enumerate(reversed(bus.pins))
        )
        wanted = -1 if label == "driven" else care
        assert asked == wanted & (1 << bus.width) - 1
        assert shown == value & asked


def test_equal_neighbours_are_one_row_and_a_label_begins_a_new_one() -> None:
    draft = Draft(
        ("clk", "q"),
        (
            DraftRow({"clk": "C", "q": "L"}),
            DraftRow({"clk": "C", "q": "L"}, repeat=2),
            DraftRow({"clk": "C", "q": "L"}, label="again, later"),
            DraftRow({"clk": "C", "q": "H"}, repeat=9, until=True),
            DraftRow({"clk": "C", "q": "H"}),
        ),
        ("made from two\nlines",),
    )
    assert draft.folded().text == (
        "# made from two\\nlines\n"
        "clk,q,repeat,label,note\n"
        "C,L,3,,\n"
        'C,L,,"again, later",\n'
        "C,H,until 9,,\n"
        "C,H,,,\n"
    )


@given(st.text("=+-@\uff1d\t\n ,;\"'#x", max_size=9), st.sampled_from(",;"))
def test_no_text_of_another_file_is_a_formula_in_a_spreadsheet(text: str, separator: str) -> None:
    draft = Draft(("q",), (DraftRow({"q": "L"}, label=text, note=text),), (f"from: {text}",))
    remark, _, row = draft.text.splitlines()
    (*_, label, note), (_, *more) = (
        next(csv.reader([row])),
        next(csv.reader([remark], delimiter=separator)),
    )
    for cell in (label, note, *more):
        assert not cell.lstrip(" ").startswith(("=", "+", "-", "@", "\uff1d"))


def test_a_text_that_looks_like_a_formula_is_read_with_an_apostrophe(tmp_path: Path) -> None:
    design = SHUTTLE.designs_by_name["ctr163"]
    row = DraftRow({"q": "HLHL"}, label="=HYPERLINK(1)")
    once = written(Draft(("q",), (row,)).text, design, tmp_path)
    again = written(drafted(once).text, design, tmp_path)
    assert dict(once.labels) == dict(again.labels) == {0: "'=HYPERLINK(1)"}


def design_in(folder: Path, settings: str) -> Design:
    (folder / "design.toml").write_text(settings, encoding="utf-8")
    return replace(SHUTTLE.designs_by_name["gray"], folder=folder, tables=())


ROWS = Draft(("q",), (DraftRow({"q": "HLHL"}),))


def test_a_saved_table_is_named_in_design_toml_and_the_rest_of_it_stays(tmp_path: Path) -> None:
    design = design_in(tmp_path, "name = 'gray'  # mine\n\n[tables.old]\nfile = 'old.csv'\n")
    path = save_table(
        design, "new", ROWS.lines(), {"clock_hz": 1000.0, "reset_cycles": 0}, replace=False
    )
    assert path == tmp_path / "new.csv"
    assert path.read_text() == "q,repeat,label,note\nHLHL,,,\n"
    assert (tmp_path / "design.toml").read_text() == (
        "name = 'gray'  # mine\n\n[tables.old]\nfile = 'old.csv'\n\n"
        '[tables.new]\nfile = "new.csv"\nclock_hz = 1000.0\nreset_cycles = 0\n'
    )


def test_settings_that_are_there_are_changed_in_place(tmp_path: Path) -> None:
    design = design_in(
        tmp_path,
        "[tables.t] # the table\nfile = 'other.csv' # kept\nreset_cycles = 2\n\n"
        "[tables.t.latency]\nq = 1\n",
    )
    save_table(design, "t", ROWS.lines(), {"reset_cycles": 0, "intake": True}, replace=True)
    assert (tmp_path / "design.toml").read_text() == (
        '[tables.t] # the table\nfile = "t.csv" # kept\nreset_cycles = 0\nintake = true\n\n'
        "[tables.t.latency]\nq = 1\n"
    )


def test_what_another_table_was_made_from_goes_with_its_rows(tmp_path: Path) -> None:
    design = design_in(
        tmp_path,
        "[tables.t]\nfile = 't.csv'\nmade_from = { file = 'model.py' } # old\nintake = true\n",
    )
    save_table(design, "t", ROWS.lines(), {"reset_cycles": 0}, replace=True)
    assert (tmp_path / "design.toml").read_text() == (
        '[tables.t]\nfile = "t.csv"\nintake = true\nreset_cycles = 0\n'
    )


def test_rows_that_know_no_latency_replace_none_that_have_one(tmp_path: Path) -> None:
    text = "[tables.t]\nfile = 't.csv'\nlatency = { q = 1 }\n"
    design = design_in(tmp_path, text)
    old = TableSpec("t", tmp_path / "t.csv", 1000.0, latency={"q": 1})
    with pytest.raises(InputError) as refused:
        save_table(replace(design, tables=(old,)), "t", ROWS.lines(), {}, replace=True)
    assert str(refused.value) == (
        f'{tmp_path}/design.toml: error [latency-left] table "t" has a latency, and its new rows '
        "would be tested later than meant; remove latency from it first, or choose another name"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["design.toml"]


def test_a_table_that_is_there_is_replaced_only_on_request(tmp_path: Path) -> None:
    design = design_in(tmp_path, "")
    (tmp_path / "t.csv").write_text("mine\n")
    with pytest.raises(InputError) as refused:
        save_table(design, "t", ROWS.lines(), {}, replace=False)
    assert str(refused.value) == (
        f'{tmp_path}/t.csv: error [table-exists] table "t" is already there; '
        "choose another name, or ask for the table to be replaced"
    )
    assert (tmp_path / "t.csv").read_text() == "mine\n"
    assert (tmp_path / "design.toml").read_text() == ""


@pytest.mark.parametrize("name", ["", "../t", "a b", "1st", "a\n[x]"])
def test_a_name_that_is_no_name_is_refused(name: str, tmp_path: Path) -> None:
    design = design_in(tmp_path, "")
    with pytest.raises(InputError, match=r"is not a valid name; use letters"):
        save_table(design, name, ROWS.lines(), {}, replace=False)
    assert [path.name for path in tmp_path.iterdir()] == ["design.toml"]


@pytest.mark.parametrize("text", ["tables = { t = { file = 'x' } }\n", "tables.t.file = 'x'\n"])
def test_settings_in_another_form_are_left_alone(text: str, tmp_path: Path) -> None:
    design = design_in(tmp_path, text)
    with pytest.raises(InputError) as refused:
        save_table(design, "t", ROWS.lines(), {}, replace=True)
    assert str(refused.value) == (
        f"{tmp_path}/design.toml: error [toml-not-edited] the settings of tables.t cannot be "
        'written automatically; write them under [tables.t] by hand: file = "t.csv"'
    )
    assert (tmp_path / "design.toml").read_text() == text
    assert not (tmp_path / "t.csv").exists()

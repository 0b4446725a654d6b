"""Tables from reference models: what each kind asks, and what a model may do wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

import harness
from harness.convert import Coverage, Stimulus, generate, load_model
from harness.convert.stimulus import corners
from harness.errors import InputError
from harness.jobs.check import check
from harness.shuttle import Bus, Direction, Pin
from tests.unit.shuttle.bench import DESIGN, write_files

MODEL = """\
class Model:
    inputs = ["en", "d"]
    outputs = ["q", "co"]
    states = range(4)
    weights = {"en": {0: 1, 1: 3}, "d": {5: 1}}
    sequences = {"load": [{"en": 1, "d": 5}, {"en": 0}], "again": [{"d": 2}]}

    def reset(self):
        self.count = 0

    def step(self, inputs):
        self.count = (self.count + inputs["en"]) % 4
        return {"q": self.count + inputs["d"] % 4, "co": 1 if self.count == 3 else None}

    def state(self):
        return self.count

    def allowed(self, inputs):
        return inputs["d"] != 0
"""


def made(
    folder: Path, kind: Stimulus, cycles: int = 40, seed: int = 7, text: str = MODEL,
    limit_s: float = 10.0,
) -> tuple[str, Coverage]:  # fmt: skip
    design, shuttle = write_files(folder).load()
    (folder / "count" / "model.py").write_text(text, "utf-8")
    model = load_model(design, limit_s)
    draft, coverage = generate(model, design, shuttle, kind, seed, cycles)
    return draft.text, coverage


def told(folder: Path, text: str, kind: Stimulus = Stimulus.RANDOM, limit_s: float = 10.0) -> str:
    with pytest.raises(InputError) as raised:
        made(folder, kind, text=text, limit_s=limit_s)
    return str(raised.value).replace(f"{folder}/count/", "")


def test_a_directed_table_has_each_sequence_after_a_reset(tmp_path: Path) -> None:
    text, coverage = made(tmp_path, Stimulus.DIRECTED)
    assert text.splitlines() == [
        "# made from model.py: directed, seed 7",
        "clk,rst_n,en,d,q,co,repeat,label,note",
        "C,0,1,0101,,,,reset,",
        "C,1,1,0101,LLHL,,,load,",
        "C,1,0,0101,LLHL,,,,",
        "C,0,0,0010,,,,reset,",
        "C,1,0,0010,LLHL,,,again,",
    ]
    assert coverage == Coverage(reported=True, visited=2, listed=4, missing=("2", "3"))


@pytest.mark.parametrize("kind", Stimulus)
def test_the_same_seed_gives_the_same_bytes(tmp_path: Path, kind: Stimulus) -> None:
    assert made(tmp_path, kind) == made(tmp_path, kind)


def test_another_seed_gives_another_table(tmp_path: Path) -> None:
    assert made(tmp_path, Stimulus.RANDOM) != made(tmp_path, Stimulus.RANDOM, seed=8)


def test_a_random_table_stays_as_it_is_from_version_to_version(tmp_path: Path) -> None:
    """Python's generator gives these bits for this seed in every version (random.getrandbits)."""
    text, _ = made(tmp_path, Stimulus.RANDOM, cycles=3)
    assert text.splitlines()[2:] == [
        "C,1,0,1111,LLHH,,,,",
        "C,1,0,0110,LLHL,,,,",
        "C,1,1,0000,LLLH,,,,",
    ]


def test_a_constrained_table_keeps_to_weights_and_to_what_is_allowed(tmp_path: Path) -> None:
    text, coverage = made(tmp_path, Stimulus.CONSTRAINED, cycles=200)
    rows = [line.split(",") for line in text.splitlines()[2:]]
    assert {row[3] for row in rows} == {"0101"}
    enabled = sum(int(row[6] or 1) for row in rows if row[2] == "1")
    assert 120 < enabled < 180
    assert coverage.missing == ()


def test_the_corners_of_an_input_are_its_ends_its_middle_and_walking_bits() -> None:
    bus = Bus("d", tuple(Pin(f"in{k}", Direction.INPUT, k) for k in range(4)), Direction.INPUT)
    assert corners(bus) == (0, 15, 1, 2, 4, 8, 14, 13, 11, 7)
    one = Bus("en", bus.pins[:1], Direction.INPUT)
    assert corners(one) == (0, 1)


def test_a_corner_table_walks_each_input_with_the_others_low_and_high(tmp_path: Path) -> None:
    text, _ = made(tmp_path, Stimulus.CORNER, cycles=24)
    labels = [line.split(",")[7] for line in text.splitlines()[2:] if line.split(",")[7]]
    assert labels == [
        "corners of en beside all zeros",
        "corners of d beside all zeros",
        "corners of en beside all ones",
        "corners of d beside all ones",
    ]


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        ('"co": 1 if', '"cp": 1 if', "PY:11: error [bad-model] step returned 'cp', which is "),
        ('self.count + inputs["d"] % 4', "16", "PY:11: error [bad-model] step returned 16 for "),
        ('inputs["d"] % 4', 'inputs["e"]', "PY:13: error [bad-model] step failed: KeyError: "),
        ("return {", "x = {", "PY:11: error [bad-model] step returned NoneType; "),
        ('["q", "co"]', '["q", "cp"]', "PY: error [bad-model] outputs: the design has no "),
        ("def step", "def stop", "PY: error [bad-model] Model has no method step; add it"),
        ("class Model", "class Mode", "PY: error [bad-model] there is no class Model; "),
        ("def reset(self):", "def reset(self", "PY:8: error [bad-model] not valid Python: "),
        ("self.count = 0", "raise SystemExit", "PY:9: error [bad-model] reset failed: System"),
        ("self.count = 0", "while True: pass", "PY:9: error [bad-model] reset did not "),
        ("return self.count", "1 / 0", "PY:16: error [bad-model] state failed: ZeroDivision"),
    ],
)  # fmt: skip
def test_what_a_model_does_wrong_is_told_with_its_line(
    tmp_path: Path, old: str, new: str, wanted: str
) -> None:
    report = told(tmp_path, MODEL.replace(old, new, 1), limit_s=0.3)
    assert report.replace("model.py", "PY", 1).startswith(wanted)


Q = 'self.count + inputs["d"] % 4'
HOSTILE = """\
import itertools
class Sly(int):
    def __ge__(self, other): return True
    def __le__(self, other): return True
    def __repr__(self): raise ValueError("no text")
class Endless(dict):
    def items(self): return (("q", k) for k in itertools.count())
class Raising(dict):
    def items(self): raise ValueError("no items")
class Bare(BaseException):
    pass
def bare():
    raise Bare
"""


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        ("def state(self)", "def step_(self)", None),
        ("return {", "return Endless(q=0) or {", "step failed: ValueError: more than 2 values; "),
        ("return {", "return Raising(q=0) or {", "step failed: ValueError: no items; "),
        (Q, "Sly(99)", "step failed: ValueError: no text; correct the model"),
        (Q, 'float("nan")', "step returned nan for q; return a number from 0 to 15, or "),
        (Q, "10**5000", "step returned a number of 16,610 bits for q; return a number from "),
        (Q, "True", None),
        (Q, "bare()", "step failed: Bare; correct the model"),
        ("return self.count", "return 'x' * 10**7", None),
        ("return self.count", "return bare()", "state failed: Bare; correct the model"),
        ('["en", "d"]', "iter(int, 1)", "inputs failed: ValueError: more than 1,000 values; "),
        ('["en", "d"]', "5", "inputs failed: TypeError: 'int' object is not iterable; "),
        ("range(4)", "itertools.count()", "states failed: ValueError: more than 100,000 values"),
        ("    def state(self)", "    @property\n    def state(self)", "state failed: "),
        ("class Model:", "def __getattr__(name):\n    bare()\nclass Mode:", "Model failed: Bare; "),
    ],
)
def test_what_a_model_gives_is_a_value_in_range_or_a_finding(
    tmp_path: Path, old: str, new: str, wanted: str | None
) -> None:
    text = HOSTILE + MODEL.replace(old, new, 1)
    if wanted is None:
        assert len(made(tmp_path, Stimulus.RANDOM, text=text)[0]) < 4000
    else:
        assert f"[bad-model] {wanted}" in told(tmp_path, text, limit_s=2)


@pytest.mark.parametrize(
    ("kind", "old", "new", "wanted"),
    [
        (Stimulus.DIRECTED, "sequences", "sequence", "the model has no sequences; add sequences: "),
        (
            Stimulus.DIRECTED,
            '[{"d": 2}]',
            "iter(lambda: {}, 0)",
            "sequences failed: ValueError: more",
        ),
        (Stimulus.DIRECTED, '"again": [{"d"', '"x": [{"e"', "sequences names 'e', which is not"),
        (Stimulus.CONSTRAINED, "{5: 1}", "{16: 1}", "weights gives d the value 16; write a number"),
        (Stimulus.CONSTRAINED, "{5: 1}", "{5: -1}", "weights failed: ValueError: the weights of d"),
        (Stimulus.CONSTRAINED, "!= 0", "== 6", "allowed refused 10,000 inputs one after the other"),
    ],
)
def test_what_a_kind_needs_of_a_model_is_told(
    tmp_path: Path, kind: Stimulus, old: str, new: str, wanted: str
) -> None:
    assert f"[bad-model] {wanted}" in told(tmp_path, MODEL.replace(old, new, 1), kind)


def test_a_model_that_is_not_there_is_told(tmp_path: Path) -> None:
    design, _ = write_files(tmp_path).load()
    with pytest.raises(InputError, match="no such file"):
        load_model(design)


def test_a_check_does_not_run_a_model(tmp_path: Path) -> None:
    table = 'made_from = { file = "model.py", sha256 = "' + "0" * 64 + '" }\n'
    write_files(tmp_path, design=DESIGN + table)
    (tmp_path / "count" / "model.py").write_text("open('ran', 'w')\nraise SystemExit\n", "utf-8")
    assert [finding.rule for finding in check([tmp_path])] == ["stale-table"]
    assert not Path("ran").exists()


def test_only_the_job_that_generates_tables_can_run_a_model() -> None:
    """To check, run, night, bundle and replay, a model is a file like any other."""
    package = Path(harness.__file__).parent
    users = set()
    for path in package.rglob("*.py*"):
        if path.suffix in {".py", ".pyi"} and "load_model" in path.read_text("utf-8"):
            users.add(path.relative_to(package).as_posix())
    assert users == {"convert/__init__.pyi", "convert/model.py", "jobs/generate.py"}

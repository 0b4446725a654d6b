"""Attacks with what a model gives: of a wrong type, huge, endless, or raising where it is read.

One rule: a model's code may do what its author may; what it *gives* is a value in range or a
finding with the place in its file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from random import Random

from harness.convert import Stimulus, generate, load_model
from harness.errors import InputError
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong
from tests.unit.table.tables import Desk, make_desk

SOUND = {
    "inputs": '["en", "d"]',
    "outputs": '["q", "co"]',
    "states": "range(4)",
    "weights": '{"en": {0: 1, 1: 3}, "d": {5: 1}}',
    "sequences": '{"load": [{"en": 1, "d": 5}, {"en": 0}], "again": [{"d": 2}]}',
    "reset": "None",
    "step": '{"q": Q, "co": C}',
    "q": 'self.count + inputs["d"] % 4',
    "co": "1 if self.count == 3 else None",
    "state": "self.count",
    "allowed": 'inputs["d"] != 0',
}
"""What stands in each place of the model; ``Q`` and ``C`` in a step are the values of outputs."""

HOSTILE = (
    "None", "True", "-1", "15", "16", "2**64", "10**5000", "-(10**5000)", 'float("nan")',
    'float("-inf")', "1j", '"x"', '"\\ud800"', '"\\0\\n=1,2"', '"x" * 10**7', 'b"1"', "object()",
    "[]", "{}", "()", "[1] * 10**6", "iter(int, 1)", "itertools.count()", "itertools.repeat('en')",
    "Sly(3)", "Sly(99)", "Raiser()", "Endless(q=0)", "(lambda *_: 1)", "1 / 0", "bare()", "DEEP",
    "{1: 2}", "{Raiser: 1}", '{"q": Raiser()}', '{"q": {"x": 1}}', '{"en": itertools.count()}',
    '{"en": {10**5000: 1}}', '{"en": {0: float("nan")}}', '{"x": [{"en": 10**5000}]}',
    '{"x": iter(dict, 0)}', '{"\\x1b[2J" * 999: [{}]}', "exit(0)", "endless()", "type", "self",
)  # fmt: skip

TEMPLATE = """\
# {kind}
import itertools
DEEP = []
for _ in range(5000):
    DEEP = [DEEP]
class Bare(BaseException):
    pass
def bare():
    raise Bare
def endless():
    while True:
        pass
class Sly(int):
    def __ge__(self, other): return True
    def __le__(self, other): return True
    def __repr__(self): raise ValueError
class Raiser:
    def __getattribute__(self, name): raise KeyError(name)
    def __iter__(self): raise Bare
    def __str__(self): raise Bare
    def __eq__(self, other): raise Bare
    def __hash__(self): return hash("q")
class Endless(dict):
    def items(self): return (("q", k) for k in itertools.count())
    def __iter__(self): return itertools.count()
class Model:
    count = 0
    def __init__(self):
        self.inputs, self.outputs = {inputs}, {outputs}
        self.states, self.weights, self.sequences = {states}, {weights}, {sequences}
    def reset(self):
        self.count = 0
        {reset}
    def step(self, inputs):
        self.count = (self.count + 1) % 4
        Q, C = {q}, {co}
        return {step}
    def state(self):
        return {state}
    def allowed(self, inputs):
        return {allowed}
"""
CYCLES = 30


@dataclass(frozen=True)
class Models:
    """Models of the bench's counter."""

    desk: Desk

    def make(self, random: Random) -> bytes:
        places = dict(SOUND)
        for place in random.sample(list(SOUND), random.choice((1, 1, 2, 3))):
            places[place] = random.choice(HOSTILE)
        return TEMPLATE.format(kind=random.choice(list(Stimulus)), **places).encode()

    def judge(self, case: bytes) -> str:
        path = self.desk.design.folder / "model.py"
        path.write_bytes(case)
        first = case.split(b"\n", 1)[0].decode("ascii", "replace").removeprefix("# ")
        kind = next((kind for kind in Stimulus if kind == first), Stimulus.RANDOM)
        try:
            model = load_model(self.desk.design, limit_s=0.5)
            draft, _ = generate(model, self.desk.design, self.desk.shuttle, kind, 7, CYCLES)
            text = draft.text
        except InputError as error:
            if any(item.location.path != path for item in error.findings) or len(str(error)) > 1000:
                raise Wrong(f"no short finding in the model's file: {str(error)[:300]}") from None
            return REFUSED
        pattern, findings = self.desk.check(text.encode(), "t.csv")
        if pattern is None and {item.rule for item in findings} != {"nothing-tested"}:
            raise Wrong(f"the table cannot be read: {findings[0]}")
        if pattern is not None and int(pattern.repeat.sum()) > 2 * CYCLES:
            raise Wrong("the table is longer than asked for")
        sound = TEMPLATE.format(kind=kind, **SOUND).encode()
        return SAME if case == sound else DIFFERENT


def models(folder: Path) -> Attack:
    """Models; the sound one of each kind makes a table."""
    attack = Models(make_desk(folder))
    for kind in Stimulus:
        assert attack.judge(TEMPLATE.format(kind=kind, **SOUND).encode()) == SAME
    return attack

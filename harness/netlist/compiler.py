"""Lanes in compiled code: a word of 64 of them, or a row of 512 as one LLVM vector.

The one rule: a loop is written once, with ``take`` and ``put`` and the operators ``& | ^ ~``, and
is compiled for arrays of words (one axis, ``uint64``) and for arrays of rows (two axes, the second
with 8 words). LLVM lays a row out in what the processor has: one 512-bit register, or several
smaller ones. Ordinary loops over words are not made into vectors reliably, so nothing relies on
that. The compiler takes longer to load than most commands to run: only modules with compiled
loops, and those that call them, import this.
"""

from __future__ import annotations

import hashlib
import operator
import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from llvmlite import ir
from numba.core import types
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Flags, compile_extra
from numba.core.registry import cpu_target
from numba.core.runtime.nrt import rtsys
from numba.core.typing.templates import ConcreteTemplate, infer_global, make_concrete_template
from numba.extending import intrinsic, lower_builtin, models, register_model

from harness.door import MAX_SETTINGS_BYTES, names_in, read_file
from harness.netlist.lanes import WIDE
from harness.netlist.news import report_compiling

Function = TypeVar("Function", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}
# No compiled function here makes an array, so none needs to count references to those it is
# given: without ``_nrt`` counting them costs twice as much time as evaluating gates.

_I64 = ir.IntType(64)
_VECTOR = ir.VectorType(_I64, WIDE)


def _intrinsic(function: Any) -> Any:
    """Numba's own, which is typed as if it were called with its first argument."""
    return intrinsic(function)


def compiled(function: Function) -> Function:
    """Compile a function with numba; without a cache on disk where no folder can be written."""
    return _compiled(function, _OPTIONS)


def inlined(function: Function) -> Function:
    """As :func:`compiled`, as a part of whatever calls it.

    An array is seven arguments, so a call costs as much as twenty gates: too much for what one
    lane does several times in each vector.
    """
    return _compiled(function, _OPTIONS | {"forceinline": True})


def _compiled(function: Function, options: dict[str, Any]) -> Function:
    try:
        dispatcher = numba.njit(cache=True, **_OPTIONS)(function)
    except RuntimeError:  # numba found no folder for its cache
        dispatcher = numba.njit(**_OPTIONS)(function)
    else:
        _keep(dispatcher)
    part = _Part(function, options)
    dispatcher.get_call_template = part.get_call_template
    dispatcher.get_overload = part.get_overload
    return cast("Function", dispatcher)


def _keep(dispatcher: Any) -> None:
    """Keep the machine code of a function that Python calls until any source changes.

    Numba looks at the function's own file only, but has the code of all that it calls in it.
    """
    cache = dispatcher._cache  # noqa: SLF001 - there is no public way to say so
    kept = cache._cache_file  # noqa: SLF001
    kept._source_stamp = (kept._source_stamp, _sources())  # noqa: SLF001

    def load(signature: Any, target: Any) -> Any:
        """Load a function; numba would first load all that it could compile, and takes longer."""
        rtsys.initialize(target)
        loaded = cache._load_overload(signature, target)  # noqa: SLF001
        if loaded is None:
            report_compiling()
        return loaded

    cache.load_overload = load


class _Unfinished(JITCodeLibrary):
    """Code that waits to become a part of what calls it."""

    def _optimize_final_module(self) -> None:
        pass

    def _finalize_final_module(self) -> None:
        self._finalized = True


class _Part:
    """A function as compiled code calls it.

    Numba would make it ready for Python as well, and optimise it and translate it to machine code
    once for each function on the way to the one that Python calls, and once more for each number
    in a call: more than half of the time that compiling took.
    """

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        self._function = function
        self._options = options
        self._made: dict[tuple[Any, ...], Any] = {}

    def get_call_template(self, arguments: Any, _names: Any) -> tuple[Any, ...]:
        """What numba asks for when it meets a call, with the types of its arguments."""
        kinds = tuple(map(types.unliteral, arguments))
        if kinds not in self._made:
            self._made[kinds] = self._make(kinds)
        name = self._function.__name__
        signatures = [made.signature for made in self._made.values()]
        return make_concrete_template(name, name, signatures), None, kinds, {}

    def get_overload(self, kinds: Any) -> Any:
        """Key of the code for these types, in numba's table of functions."""
        return self._made[tuple(kinds)].library

    def _make(self, kinds: tuple[Any, ...]) -> Any:
        typing, target = cpu_target.typing_context, cpu_target.target_context
        flags: Any = Flags()
        cpu_target.options.parse_as_flags(flags, self._options | {"nopython": True})
        flags.no_compile = flags.no_cpython_wrapper = flags.no_cfunc_wrapper = True
        name = self._function.__name__
        library = _Unfinished(target.codegen(), name)  # type: ignore[no-untyped-call]
        made = compile_extra(typing, target, self._function, kinds, None, flags, {}, library)
        target.insert_user_function(library, made.fndesc, [library])
        return made


@lru_cache(maxsize=1)
def _sources() -> str:
    """Digest of what compiled code may come from: modules that import this one, and what they do.

    The readers of netlists are not among them.
    """
    paths = names_in(Path(__file__).parent, ".py")
    texts = {path.stem: read_file(path, MAX_SETTINGS_BYTES) for path in paths}
    del texts["__init__"]
    names = sorted(name for name, text in texts.items() if b"harness.netlist.compiler" in text)
    for name in names:  # grows while it is walked
        imported = re.findall(r"harness\.netlist(?:\.| import )(\w+)", texts[name].decode())
        names += sorted((texts.keys() & set(imported)) - set(names))
    return hashlib.sha256(b"".join(texts[name] for name in names)).hexdigest()


class Row(types.Type):
    """The numba type of a row of lanes held in registers."""

    def __init__(self) -> None:
        super().__init__("Row")


ROW = Row()


@register_model(Row)
class _RowModel(models.PrimitiveModel):
    """A row is an LLVM vector."""

    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, _VECTOR)  # type: ignore[no-untyped-call]


def _entry(lanes: Any) -> Any:
    """The type of an entry of an array of lanes."""
    return ROW if lanes.ndim == 2 else types.uint64


def _address(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Address of an entry. Entries are contiguous, and nothing counts from behind."""
    data = context.make_array(kind)(context, builder, array).data
    if _entry(kind) is not ROW:
        return builder.gep(data, [index])
    place = builder.mul(index, ir.Constant(_I64, WIDE))
    return builder.bitcast(builder.gep(data, [place]), _VECTOR.as_pointer())


@_intrinsic
def take(_context: Any, lanes: Any, _index: Any) -> Any:
    """Give one entry of an array of lanes."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        loaded = builder.load(_address(context, builder, signature.args[0], *arguments))
        loaded.align = 8
        return loaded

    return _entry(lanes)(lanes, types.intp), code


@_intrinsic
def put(_context: Any, lanes: Any, _index: Any, _value: Any) -> Any:
    """Set one entry of an array of lanes."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        target, index, value = arguments
        pointer = _address(context, builder, signature.args[0], target, index)
        builder.store(value, pointer, align=8)
        return context.get_dummy_value()

    return types.void(lanes, types.intp, _entry(lanes)), code


@_intrinsic
def peek(_context: Any, numbers: Any, _place: Any) -> Any:
    """Give a number of a contiguous array, whatever its axes; no place counts from behind.

    Numba would work out for each place whether it does.
    """

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array, index = arguments
        data = context.make_array(signature.args[0])(context, builder, array).data
        return builder.zext(builder.load(builder.gep(data, [index])), _I64)

    kind = types.uint64 if numbers.dtype == types.uint64 else types.int64
    return kind(numbers, types.intp), code


@_intrinsic
def spread(_context: Any, lanes: Any, _word: Any) -> Any:
    """Give a word for all lanes, as an entry of this array of lanes."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        word = arguments[1]
        return _splat(builder, word) if signature.return_type is ROW else word

    return _entry(lanes)(lanes, types.uint64), code


def _splat(builder: Any, word: Any) -> Any:
    """The same word in all places of a row."""
    first = builder.insert_element(
        ir.Constant(_VECTOR, ir.Undefined), word, ir.Constant(ir.IntType(32), 0)
    )
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDE), [0] * WIDE)
    return builder.shuffle_vector(first, ir.Constant(_VECTOR, ir.Undefined), zeros)


@_intrinsic
def some(_context: Any, value: Any) -> Any:
    """Give whether any lane is 1."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        if value is not ROW:
            return builder.icmp_unsigned("!=", arguments[0], ir.Constant(_I64, 0))
        unequal = builder.icmp_unsigned("!=", arguments[0], ir.Constant(_VECTOR, [0] * WIDE))
        byte = builder.bitcast(unequal, ir.IntType(WIDE))
        return builder.icmp_unsigned("!=", byte, ir.Constant(ir.IntType(WIDE), 0))

    return types.boolean(ROW if value is ROW else types.uint64), code


@_intrinsic
def head(_context: Any, value: Any) -> Any:
    """Give the first 64 lanes."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        if value is not ROW:
            return arguments[0]
        return builder.extract_element(arguments[0], ir.Constant(ir.IntType(32), 0))

    return types.uint64(ROW if value is ROW else types.uint64), code


@_intrinsic
def lowest_place(_context: Any, _word: Any) -> Any:
    """Give the place of the lowest 1 in a word; 64 if there is none."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), code


def _operator(operation: Callable[..., Any], name: str, count: int) -> None:
    """Teach numba one operator of rows."""
    cases = {"cases": [ROW(*[ROW] * count)]}
    infer_global(operation)(type(name, (ConcreteTemplate,), cases))

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return getattr(builder, name)(*arguments)

    lower_builtin(operation, *[Row] * count)(code)


_operator(operator.and_, "and_", 2)
_operator(operator.or_, "or_", 2)
_operator(operator.xor, "xor", 2)
_operator(operator.invert, "not_", 1)

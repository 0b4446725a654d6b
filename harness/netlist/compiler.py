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
import numpy as np
from llvmlite import ir
from numba.core import types
from numba.core.runtime.nrt import rtsys
from numba.extending import intrinsic, models, overload, register_model

from harness.door import MAX_SETTINGS_BYTES, names_in, read_file
from harness.netlist.lanes import WIDE, Lanes

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
        dispatcher = numba.njit(cache=True, **options)(function)
    except RuntimeError:  # numba found no folder for its cache
        return cast("Function", numba.njit(**options)(function))
    # Numba looks at the function's own file only, but has the code of all that it calls in it.
    cache = dispatcher._cache  # noqa: SLF001 - there is no public way to say so
    kept = cache._cache_file  # noqa: SLF001
    kept._source_stamp = (kept._source_stamp, _sources())  # noqa: SLF001

    def load(signature: Any, target: Any) -> Any:
        """Load a function; numba would first load all that it could compile, and takes longer."""
        rtsys.initialize(target)
        return cache._load_overload(signature, target)  # noqa: SLF001

    cache.load_overload = load
    return cast("Function", dispatcher)


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


def _is_rows(array: Any) -> bool:
    return bool(array.ndim == 2)


def _address(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Address of an entry. Entries are contiguous, and nothing counts from behind."""
    data = context.make_array(kind)(context, builder, array).data
    if not _is_rows(kind):
        return builder.gep(data, [index])
    place = builder.mul(index, ir.Constant(_I64, WIDE))
    return builder.bitcast(builder.gep(data, [place]), _VECTOR.as_pointer())


@_intrinsic
def _load(typing_context: Any, array: Any, index: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointer = _address(context, builder, signature.args[0], *arguments)
        loaded = builder.load(pointer)
        loaded.align = 8
        return loaded

    return (ROW if _is_rows(array) else types.uint64)(array, types.intp), code


@_intrinsic
def _store(typing_context: Any, array: Any, index: Any, row: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        target, place, value = arguments
        pointer = _address(context, builder, signature.args[0], target, place)
        builder.store(value, pointer, align=8)
        return context.get_dummy_value()

    value = ROW if _is_rows(array) else types.uint64
    return types.void(array, types.intp, value), code


@_intrinsic
def _spread_row(typing_context: Any, word: Any) -> Any:
    """The same word in all places of a row."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _splat(builder, arguments[0])

    return ROW(types.uint64), code


def _splat(builder: Any, word: Any) -> Any:
    first = builder.insert_element(
        ir.Constant(_VECTOR, ir.Undefined), word, ir.Constant(ir.IntType(32), 0)
    )
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDE), [0] * WIDE)
    return builder.shuffle_vector(first, ir.Constant(_VECTOR, ir.Undefined), zeros)


@_intrinsic
def _any_row(typing_context: Any, row: Any) -> Any:
    """Whether any lane of a row is 1."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        zero = ir.Constant(_VECTOR, [0] * WIDE)
        unequal = builder.icmp_unsigned("!=", arguments[0], zero)
        byte = builder.bitcast(unequal, ir.IntType(WIDE))
        return builder.icmp_unsigned("!=", byte, ir.Constant(ir.IntType(WIDE), 0))

    return types.boolean(ROW), code


def _binary(operation: Callable[[Any, Any], Any], name: str) -> None:
    """Teach numba one operator between rows."""

    @_intrinsic
    def between(typing_context: Any, first: Any, second: Any) -> Any:
        def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            return getattr(builder, name)(*arguments)

        return ROW(ROW, ROW), code

    @overload(operation, strict=False)
    def between_rows(first: Any, second: Any) -> Any:
        if first is ROW and second is ROW:
            return lambda first, second: between(first, second)
        return None


_binary(operator.and_, "and_")
_binary(operator.or_, "or_")
_binary(operator.xor, "xor")


@_intrinsic
def _inverted(typing_context: Any, row: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.not_(arguments[0])

    return ROW(ROW), code


@overload(operator.invert, strict=False)
def _invert_row(row: Any) -> Any:
    if row is ROW:
        return lambda row: _inverted(row)
    return None


def take(lanes: Lanes, index: int) -> Any:
    """Give one entry of an array of lanes."""
    return lanes[index]


@overload(take, strict=False)
def _take(lanes: Any, index: Any) -> Any:
    return lambda lanes, index: _load(lanes, index)


def put(lanes: Lanes, index: int, value: Any) -> None:
    """Set one entry of an array of lanes."""
    lanes[index] = value


@overload(put, strict=False)
def _put(lanes: Any, index: Any, value: Any) -> Any:
    return lambda lanes, index, value: _store(lanes, index, value)


def peek(numbers: Any, place: int) -> Any:
    """Give a number of a contiguous array, whatever its axes; no place counts from behind.

    Numba would work out for each place whether it does.
    """
    return numbers.reshape(-1)[place]


@_intrinsic
def _peek(typing_context: Any, numbers: Any, place: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array, index = arguments
        data = context.make_array(signature.args[0])(context, builder, array).data
        return builder.zext(builder.load(builder.gep(data, [index])), _I64)

    kind = types.uint64 if numbers.dtype == types.uint64 else types.int64
    return kind(numbers, types.intp), code


@overload(peek, strict=False)
def _peek_number(numbers: Any, place: Any) -> Any:
    return lambda numbers, place: _peek(numbers, place)


def spread(lanes: Lanes, word: np.uint64) -> Any:
    """Give a word for all lanes, as an entry of this array of lanes."""
    return word


@overload(spread, strict=False)
def _spread(lanes: Any, word: Any) -> Any:
    if _is_rows(lanes):
        return lambda lanes, word: _spread_row(np.uint64(word))
    return lambda lanes, word: np.uint64(word)


def some(value: Any) -> bool:
    """Give whether any lane is 1."""
    return bool(value)


@overload(some, strict=False)
def _some(value: Any) -> Any:
    if value is ROW:
        return lambda value: _any_row(value)
    return lambda value: value != np.uint64(0)


def head(value: Any) -> np.uint64:
    """Give the first 64 lanes."""
    return np.uint64(value)


@_intrinsic
def _head_row(typing_context: Any, row: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.extract_element(arguments[0], ir.Constant(ir.IntType(32), 0))

    return types.uint64(ROW), code


@overload(head, strict=False)
def _head(value: Any) -> Any:
    if value is ROW:
        return lambda value: _head_row(value)
    return lambda value: value


def lowest_place(word: int) -> int:
    """Give the place of the lowest 1 in a word; 64 if there is none."""
    return (word & -word).bit_length() - 1 if word else 64


@_intrinsic
def _lowest_place(typing_context: Any, word: Any) -> Any:
    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), code


@overload(lowest_place, strict=False)
def _place(word: Any) -> Any:
    return lambda word: _lowest_place(word)

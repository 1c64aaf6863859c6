"""64 samples at once: which of them cross a level, as a mask of 64 bits, and how far the ones before that reach.

numba does not turn a search with an early end into vector instructions, so this is told to the compiler below it in its
own terms; it makes of it what the processor has. Whole-number samples are compared as whole numbers, in a type twice
as wide, so that no level lies outside it; a sample is below 2.3 just when it is below 3, and above 2.3 when above 2.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

LANES = 64
LINE_BYTES = 64
"""What memory hands over at a time, on nearly all processors in use."""

_Bit, _Int32, _Int64, _Float64 = ir.IntType(1), ir.IntType(32), ir.IntType(64), ir.DoubleType()
_MOST = {32: 2.0**31 - 1, 64: 2.0**62}
"""Largest level of a comparison of so many bits; beyond it lies no sample."""


def _address(context: Any, builder: Any, array_type: Any, array: Any, place: Any) -> Any:
    data = context.make_array(array_type)(context, builder, array).data
    return builder.gep(data, [place])


def _splat(builder: Any, value: Any) -> Any:
    one = builder.insert_element(ir.Constant(ir.VectorType(value.type, LANES), ir.Undefined), value, _Int32(0))
    zeros = ir.Constant(ir.VectorType(_Int32, LANES), [0] * LANES)
    return builder.shuffle_vector(one, ir.Constant(one.type, ir.Undefined), zeros)


def _whole_level(builder: Any, level: Any, bits: int, rounding: str) -> Any:
    """The level as a whole number: the next at or above it ("ceil") or below it ("floor")."""
    level = builder.call(builder.module.declare_intrinsic(f"llvm.{rounding}", [_Float64]), [level])
    for sign, most in ((">", _MOST[bits]), ("<", -_MOST[bits])):
        most = _Float64(most)
        level = builder.select(builder.fcmp_ordered(sign, level, most), most, level)
    return builder.fptosi(level, ir.IntType(bits))


def _crossed(builder: Any, samples: Any, kind: Any, level: Any, high: bool) -> Any:
    """One bit a lane: below the level (``high``: the line is to stay above it), or above it."""
    if isinstance(kind, types.Float):
        wide = samples if kind.bitwidth == 64 else builder.fpext(samples, ir.VectorType(_Float64, LANES))
        return builder.fcmp_ordered("<" if high else ">", wide, _splat(builder, level))
    bits = 32 if kind.bitwidth < 32 else 64
    extend = builder.sext if kind.signed else builder.zext
    wide = extend(samples, ir.VectorType(ir.IntType(bits), LANES))
    level = _whole_level(builder, level, bits, "ceil" if high else "floor")
    return builder.icmp_signed("<" if high else ">", wide, _splat(builder, level))


def _farthest(builder: Any, samples: Any, kind: Any, count: Any, high: bool) -> Any:
    """Largest (``high``) or smallest of the first ``count`` lanes; the first lane where there are none."""
    index = ir.IntType(16)
    lanes = ir.Constant(ir.VectorType(index, LANES), list(range(LANES)))
    chosen = builder.icmp_unsigned("<", lanes, _splat(builder, builder.trunc(count, index)))
    first = _splat(builder, builder.extract_element(samples, _Int32(0)))
    left = builder.select(chosen, samples, first)
    if isinstance(kind, types.Float):
        name, letter = "fmax" if high else "fmin", "f"
    else:
        name, letter = ("s" if kind.signed else "u") + ("max" if high else "min"), "i"
    whole = f"llvm.vector.reduce.{name}.v{LANES}{letter}{kind.bitwidth}"
    reduce = builder.module.globals.get(whole) or ir.Function(
        builder.module, ir.FunctionType(left.type.element, [left.type]), whole
    )
    return builder.call(reduce, [left])


def _stays(high: bool) -> Any:
    """The function for one of the two sides."""

    def stays(typing_context: Any, samples: Any, place: Any, level: Any, most: Any) -> Any:
        if not isinstance(samples, types.Array):
            return None
        result = types.Tuple((types.int64, samples.dtype))  # type: ignore[no-untyped-call]

        def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            array, at, limit, longest = arguments
            kind = signature.args[0].dtype
            address = _address(context, builder, signature.args[0], array, at)
            vector = ir.VectorType(context.get_data_type(kind), LANES)
            loaded = builder.load(builder.bitcast(address, vector.as_pointer()))
            loaded.align = kind.bitwidth // 8
            mask = builder.bitcast(_crossed(builder, loaded, kind, limit, high), _Int64)
            count = builder.cttz(mask, _Bit(0))
            count = builder.select(builder.icmp_signed("<", count, longest), count, longest)
            far = _farthest(builder, loaded, kind, count, high)
            return context.make_tuple(builder, signature.return_type, [count, far])

        return result(samples, types.intp, types.float64, types.int64), emit

    return stays


stays_high: Any = intrinsic(_stays(True))
"""(x, place, level, most): (how many of the 64 samples from ``place`` stay at or above the level, at most ``most``, the
largest of them). All 64 must lie in x and be numbers; where none stays, the second is the first sample."""

stays_low: Any = intrinsic(_stays(False))
"""The same at or below the level, with the smallest of them."""


def _ask_for(typing_context: Any, samples: Any, place: Any) -> Any:
    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        byte = ir.IntType(8).as_pointer()
        at = builder.bitcast(_address(context, builder, signature.args[0], *arguments), byte)
        kind = ir.FunctionType(ir.VoidType(), [byte, _Int32, _Int32, _Int32])
        function = builder.module.declare_intrinsic("llvm.prefetch", [byte], kind)
        builder.call(function, [at, _Int32(0), _Int32(3), _Int32(1)])  # to read, into the nearest cache, data
        return context.get_dummy_value()

    return types.none(samples, types.intp), emit


ask_for: Any = intrinsic(_ask_for)
"""(x, place): ask the memory for the line that holds ``x[place]``, without waiting for it."""

"""Machine code of a step for eight members at once, written from the graph of the equations.

A block holds eight members side by side, a lane each; a row holds one value of all eight. The
graph of ``symbols`` is turned into vector instructions row by row, so nothing depends on whether a
compiler finds out how to do it. Exponentials and logarithms are polynomials without branches.

What a member and its stretch settle (films of wind, sums of conductances, one over heat
capacities) is worked out once a stretch into the rows of ``SETTLED_ROWS``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.extending import intrinsic

from warmhold.science.choose import choose
from warmhold.simulate import layout as at
from warmhold.simulate import rosenbrock
from warmhold.simulate.block import (
    LANES,
    R_AFTER,
    R_ALIVE,
    R_BETWEEN,
    R_C,
    R_DUE,
    R_EMPTIED,
    R_END,
    R_ENDS,
    R_EVENT,
    R_FED,
    R_FIRST,
    R_FIXED,
    R_FLOW,
    R_G,
    R_GOES,
    R_H,
    R_LENGTH,
    R_MOVES,
    R_P,
    R_RUNS,
    R_SETTLED,
    R_SHARE,
    R_STEPS,
    R_T,
    R_TOLERANCE,
    R_WISH,
    R_Y,
    SETTLED_ROWS,
)
from warmhold.simulate.pace import NEARLY, judge, next_step_s
from warmhold.simulate.symbols import LEAVES, MOVING, SETTLED, Graph, Symbol
from warmhold.simulate.traced import leaves, matrix_of, slopes_of

_ROW_OF: Final = {"y": R_Y, "p": R_P, "c": R_C, "alive": R_ALIVE}


# --- graphs ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Traced:
    """The equations and a step as graphs.

    graph : all values
    settled : node to row of what is worked out once a stretch
    step : (row, node) what a step writes
    flows : (row, node) what the flows between steps write
    between : (row, node) the state inside a step
    """

    graph: Graph
    settled: dict[int, int]
    step: tuple[tuple[int, int], ...]
    flows: tuple[tuple[int, int], ...]
    between: tuple[tuple[int, int], ...]


@cache
def traced() -> Traced:
    """Follow the equations and a step once."""
    graph = Graph()
    y = leaves(graph, "y", at.N_STATE)
    p = leaves(graph, "p", at.N_PARAM)
    c = leaves(graph, "c", at.N_CONDITION)
    alive = Symbol(graph, graph.leaf("alive"))

    def row(number: int) -> Any:
        return Symbol(graph, graph.leaf("row", number))

    t, length, fixed = row(R_T), row(R_LENGTH), row(R_FIXED)
    h = next_step_s(t, length, row(R_WISH), fixed)

    def slope(state: list[Any]) -> list[Any]:
        return slopes_of(state, p, c, alive)[0]

    first, flow = slopes_of(y, p, c, alive)
    matrix = matrix_of(graph, y, first)
    taken = rosenbrock.eliminate(matrix, 1.0 / (rosenbrock.GAMMA * h), at.N_STATE)
    made = rosenbrock.step(y, h, first, taken.solve, slope)
    writes = [(R_END + i, x.node) for i, x in enumerate(made.end)]
    writes += [(R_FIRST + i, x.node) for i, x in enumerate(first)]
    for s, part in enumerate(made.g):
        writes += [(R_G + s * at.N_STATE + i, x.node) for i, x in enumerate(part)]
    tolerance = row(R_TOLERANCE)
    done = judge(
        h, t, length, fixed, row(R_FED), row(R_ALIVE), made.error / tolerance,
        rosenbrock.factor(made.error, tolerance), y[at.CHARGE], made.end[at.CHARGE],
    )  # fmt: skip
    runs = row(R_RUNS)
    asks = done.moves * choose(row(R_DUE) > t + h + NEARLY * length, 0.0, 1.0)
    writes += [
        (R_H, h.node),
        (R_WISH, done.wish.node),
        (R_FIXED, done.fixed.node),
        (R_STEPS, (row(R_STEPS) + runs).node),
        (R_MOVES, (runs * done.moves).node),
        (R_GOES, (runs * done.goes).node),
        (R_AFTER, done.t.node),
        (R_EMPTIED, (runs * done.emptied).node),
        (R_ENDS, (runs * done.ends).node),
        (R_EVENT, (runs * (done.emptied + done.ends + asks)).node),
    ]

    def rows(first_row: int) -> list[Any]:
        return [row(first_row + i) for i in range(at.N_STATE)]

    inside = rosenbrock.between(
        y, rows(R_FIRST), row(R_H), [rows(R_G + s * at.N_STATE) for s in range(4)], row(R_SHARE)
    )  # fmt: skip
    # flows are of the state in R_BETWEEN: the reader of "y" is told where to look
    flows = tuple((R_FLOW + i, x.node) for i, x in enumerate(flow))
    settled = _settle(graph, [n for _, n in writes] + [n for _, n in flows])
    return Traced(
        graph, settled, tuple(writes), flows,
        tuple((R_BETWEEN + i, x.node) for i, x in enumerate(inside)),
    )  # fmt: skip


def _settle(graph: Graph, roots: Sequence[int]) -> dict[int, int]:
    """Rows for the settled values that moving ones use."""
    wanted: set[int] = {r for r in roots if graph.level[r] == SETTLED}
    for node in graph.needed(roots, MOVING):
        op, args = graph.nodes[node]
        if op not in LEAVES:
            wanted |= {a for a in args if graph.level[a] == SETTLED}
    for node in [n for n in wanted if graph.nodes[n][0] == "gt"]:  # truth values have no row
        wanted.discard(node)
        wanted |= {a for a in graph.nodes[node][1] if graph.level[a] == SETTLED}
    inner = sorted(n for n in wanted if graph.nodes[n][0] not in LEAVES)
    if len(inner) > SETTLED_ROWS:
        raise RuntimeError(f"{len(inner)} settled values, room for {SETTLED_ROWS}")
    return {node: R_SETTLED + k for k, node in enumerate(inner)}


def counted() -> dict[str, Counter[str]]:
    """Operations of one evaluation of the rates, and of one whole step, for one member."""
    t = traced()

    def count(roots: Sequence[int]) -> Counter[str]:
        ops = (t.graph.nodes[n][0] for n in t.graph.needed(roots, MOVING))
        return Counter(op for op in ops if op not in LEAVES)

    first = [n for row, n in t.step if R_FIRST <= row < R_FIRST + at.N_STATE]
    return {"rates": count(first), "step": count([n for _, n in t.step])}


# --- vector instructions ---------------------------------------------------------------------

_F64: Final = ir.DoubleType()
_I64: Final = ir.IntType(64)
_VEC: Final = ir.VectorType(_F64, LANES)
_IVEC: Final = ir.VectorType(_I64, LANES)
_FLAGS: Final = ("contract", "nsz")

# exp(r) = 1 + r + r^2 (these, by rising power), |r| <= ln(2)/2: Chebyshev fit, error 1.3e-17
_EXP: Final = (
    0.5000000000000001, 0.16666666666666669, 0.04166666666662413, 0.008333333333330062,
    0.0013888888917213717, 0.00019841269863053618, 2.4801521295954376e-05, 2.7557268459997064e-06,
    2.7620088445409746e-07, 2.510038549551032e-08,
)  # fmt: skip
# log(m) = 2s + s z (these, by rising power of z = s^2), s = (m - 1)/(m + 1): error 3.1e-20
_LOG: Final = (
    0.6666666666666666, 0.40000000000000885, 0.28571428570799784, 0.22222222392581045,
    0.18181795547521137, 0.15386244737621665, 0.13268638369266825, 0.13088034850927555,
)  # fmt: skip
_LN2_HIGH: Final = 0.6931471803691238  # 32 bits of ln 2, exact in products with small whole numbers
_LN2_LOW: Final = 1.9082149292705877e-10
_PER_LN2: Final = 1.4426950408889634
_WHOLE: Final = 6755399441055744.0  # 1.5 x 2^52: adding it rounds to a whole number
_ROOT_HALF_BITS: Final = 0x3FE6A09E667F3BCD


class _Writer:
    """Writes vector instructions for nodes of a graph."""

    def __init__(self, builder: Any, base: Any) -> None:
        self.b = builder
        self.base = base

    def number(self, value: float) -> Any:
        return ir.Constant(_VEC, [ir.Constant(_F64, value)] * LANES)

    def whole(self, value: int) -> Any:
        return ir.Constant(_IVEC, [ir.Constant(_I64, value)] * LANES)

    def row(self, row: int) -> Any:
        place = self.b.gep(self.base, [ir.Constant(_I64, row * LANES)], source_etype=_F64)
        return self.b.bitcast(place, _VEC.as_pointer())

    def load(self, row: int) -> Any:
        return self.b.load(self.row(row), align=8, typ=_VEC)

    def store(self, row: int, value: Any) -> None:
        self.b.store(value, self.row(row), align=8)

    def add(self, a: Any, b: Any) -> Any:
        return self.b.fadd(a, b, flags=_FLAGS)

    def sub(self, a: Any, b: Any) -> Any:
        return self.b.fsub(a, b, flags=_FLAGS)

    def mul(self, a: Any, b: Any) -> Any:
        return self.b.fmul(a, b, flags=_FLAGS)

    def neg(self, a: Any) -> Any:
        return self.b.fneg(a)

    def inverse(self, a: Any) -> Any:
        return self.b.fdiv(self.number(1.0), a)

    def gt(self, a: Any, b: Any) -> Any:
        return self.b.fcmp_ordered(">", a, b)

    def select(self, condition: Any, a: Any, b: Any) -> Any:
        return self.b.select(condition, a, b)

    def max(self, a: Any, b: Any) -> Any:
        return self.select(self.gt(a, b), a, b)

    def min(self, a: Any, b: Any) -> Any:
        return self.select(self.gt(b, a), a, b)

    def _plain(self, name: str, a: Any) -> Any:
        kind = ir.FunctionType(_VEC, [_VEC])
        insert: Any = cgutils.get_or_insert_function
        plain = insert(self.b.module, kind, f"llvm.{name}.v{LANES}f64")
        return self.b.call(plain, [a])

    def sqrt(self, a: Any) -> Any:
        return self._plain("sqrt", a)

    def abs(self, a: Any) -> Any:
        return self._plain("fabs", a)

    def floor(self, a: Any) -> Any:
        return self._plain("floor", a)

    def _polynomial(self, rising: Sequence[float], x: Any) -> Any:
        """By pairs, so that half of it runs beside the other."""
        terms = [self.number(k) for k in rising]
        power = x
        while len(terms) > 1:
            pairs = [
                self.add(self.mul(terms[i + 1], power), terms[i])
                if i + 1 < len(terms)
                else terms[i]
                for i in range(0, len(terms), 2)
            ]
            terms, power = pairs, self.mul(power, power)
        return terms[0]

    def exp(self, x: Any) -> Any:
        """Exponential, for arguments within 700 of nought; held there."""
        held = self.max(self.number(-700.0), self.min(self.number(700.0), x))
        shifted = self.add(self.mul(held, self.number(_PER_LN2)), self.number(_WHOLE))
        n = self.b.fsub(shifted, self.number(_WHOLE))
        r = self.sub(held, self.mul(n, self.number(_LN2_HIGH)))
        r = self.sub(r, self.mul(n, self.number(_LN2_LOW)))
        tail = self.mul(self.mul(r, r), self._polynomial(_EXP, r))
        value = self.add(self.add(tail, r), self.number(1.0))
        power = self.b.shl(self.b.bitcast(shifted, _IVEC), self.whole(52))
        return self.b.bitcast(self.b.add(self.b.bitcast(value, _IVEC), power), _VEC)

    def log(self, x: Any) -> Any:
        """Natural logarithm of a positive normal number; of nought about -709."""
        bits = self.b.bitcast(x, _IVEC)
        above = self.b.sub(bits, self.whole(_ROOT_HALF_BITS))
        exponent = self.b.ashr(above, self.whole(52))
        mantissa = self.b.sub(bits, self.b.shl(exponent, self.whole(52)))
        m = self.b.bitcast(mantissa, _VEC)
        k = self.b.sitofp(exponent, _VEC)
        f = self.sub(m, self.number(1.0))
        s = self.b.fdiv(f, self.add(f, self.number(2.0)))
        z = self.mul(s, s)
        tail = self.add(self.mul(self.mul(s, z), self._polynomial(_LOG, z)), self.mul(
            k, self.number(_LN2_LOW)
        ))  # fmt: skip
        whole = self.mul(k, self.number(_LN2_HIGH))
        return self.add(whole, self.add(self.add(s, s), tail))

    def pow(self, a: Any, b: Any) -> Any:
        return self.exp(self.mul(b, self.log(a)))

    def write(
        self, traced_: Traced, writes: Sequence[tuple[int, int]], y_row: int, *, settle: bool
    ) -> None:
        """Work out nodes and store them in their rows.

        ``settle``: the writes are themselves settled values, worked out from members' constants.
        """
        graph, done = traced_.graph, {}
        roots = [node for _, node in writes]
        for node in graph.needed(roots, 0):
            op, args = graph.nodes[node]
            if op == "number":
                done[node] = self.number(args[0])
            elif op == "y":
                done[node] = self.load(y_row + args[0])
            elif op == "row":
                done[node] = self.load(args[0])
            elif op in _ROW_OF:
                done[node] = self.load(_ROW_OF[op] + args[0])
            elif not settle and node in traced_.settled:
                done[node] = self.load(traced_.settled[node])
            elif settle or op == "gt" or graph.level[node] == MOVING:
                done[node] = getattr(self, op)(*(done[a] for a in args))
        for row, node in writes:
            self.store(row, done[node])


def _code(write: Callable[[_Writer], None]) -> Any:
    """A numba function of a block that writes its rows."""

    def typed(typingctx: Any, block: Any) -> Any:
        del typingctx

        def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            proxy: Any = cgutils.create_struct_proxy
            array = proxy(signature.args[0])(context, builder, value=args[0])
            write(_Writer(builder, array.data))
            return context.get_dummy_value()

        return types.void(block), generate

    return intrinsic(typed)


def _write_settled(w: _Writer) -> None:
    t = traced()
    w.write(t, [(row, node) for node, row in t.settled.items()], R_Y, settle=True)


def _write_step(w: _Writer) -> None:
    w.write(traced(), traced().step, R_Y, settle=False)


def _write_between(w: _Writer) -> None:
    w.write(traced(), traced().between, R_Y, settle=False)


def _write_flows(w: _Writer) -> None:
    w.write(traced(), traced().flows, R_BETWEEN, settle=False)


def _write_move(w: _Writer) -> None:
    goes = w.gt(w.load(R_GOES), w.number(0.5))
    for i in range(at.N_STATE):
        w.store(R_Y + i, w.select(goes, w.load(R_END + i), w.load(R_Y + i)))
    w.store(R_T, w.load(R_AFTER))


settle_block: Any = _code(_write_settled)
step_block: Any = _code(_write_step)
between_block: Any = _code(_write_between)
flows_block: Any = _code(_write_flows)
move_block: Any = _code(_write_move)

"""The least time that the counted operations of a step can take on this processor.

Not run by itself. Two measures, both of small compiled loops whose values never leave the
registers, eight lanes wide, twelve independent chains, so that nothing waits for memory or for a
result:

- each kind of operation alone, for the table;
- all of them together in the numbers and in an order mixed from one seed, a multiplication followed
  by an addition as one instruction wherever there are both. Operations of different kinds run
  beside each other on a processor, so this is less than the sum of the first, and it is the floor.

Signs are left out, which instructions change on the way. What a power, an exponential or a
logarithm costs is what the polynomials of ``lanes`` cost.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any

import numba
import numpy as np

from warmhold.simulate import lanes
from warmhold.simulate.block import LANES
from warmhold.simulate.symbols import LEAVES, MOVING

CHAINS = 12
OPERANDS = 6
ALONE = 480  # operations in the loop of one kind
FREE = ("neg", "abs", "floor")  # signs; of the last there is one
_Kind = tuple[str, ...]


def counted_between() -> Counter[str]:
    """Operations of one state inside a step, for one member."""
    t = lanes.traced()
    ops = (t.graph.nodes[n][0] for n in t.graph.needed([n for _, n in t.between], MOVING))
    return Counter(op for op in ops if op not in LEAVES)


def sequence(counts: Mapping[str, float]) -> list[_Kind]:
    """Operations in a mixed order: a comparison with its choice, an addition in a product."""
    left = {op: round(n) for op, n in counts.items() if op not in FREE}
    adds = left.pop("add", 0) + left.pop("sub", 0)
    fused = min(adds, left.get("mul", 0))
    left["mul"] = left.get("mul", 0) - fused
    selects = left.pop("select", 0)
    left["gt"] = max(left.get("gt", 0) - selects, 0)  # a choice below brings its comparison
    order: list[_Kind] = [("mul", "add")] * fused + [("add",)] * (adds - fused)
    order += [("select",)] * selects
    for op, n in left.items():
        order += [(op,)] * n
    random.Random(20260114).shuffle(order)
    return order


def _write_one(w: Any, kind: _Kind, x: Any, a: Any, b: Any) -> Any:
    """One operation on x that keeps it near where it was: a is near 1, b near 0."""
    if kind == ("mul", "add"):
        return w.add(w.mul(x, a), b)
    (op,) = kind
    if op in ("add", "sub"):
        return getattr(w, op)(x, b)
    if op in ("min", "max", "gt", "select"):
        beside = w.gt(x, a) if op in ("gt", "select") else None
        return w.select(beside, x, a) if beside is not None else getattr(w, op)(x, a)
    if op == "pow":
        return w.pow(x, a)
    if op in ("exp", "inverse", "sqrt"):
        return getattr(w, op)(x)
    return w.mul(x, a)


def _kernel(order: Sequence[_Kind]) -> Any:
    """A compiled loop: (block, rounds) runs the operations so many times."""

    def write(w: Any) -> None:
        chains = [w.load(i) for i in range(CHAINS)]
        ones = [w.load(CHAINS + i) for i in range(OPERANDS)]
        noughts = [w.load(CHAINS + OPERANDS + i) for i in range(OPERANDS)]
        for n, kind in enumerate(order):
            i = n % CHAINS
            place = (n // CHAINS) % OPERANDS
            chains[i] = _write_one(w, kind, chains[i], ones[place], noughts[place])
        for i, x in enumerate(chains):
            w.store(i, x)

    once = lanes._code(write)

    def loop(block, rounds):  # type: ignore[no-untyped-def]
        for _ in range(rounds):
            once(block)

    return numba.njit(nogil=True, error_model="numpy")(loop)


@cache
def kernel(order: tuple[_Kind, ...]) -> Any:
    """The loop for an order, compiled."""
    return _kernel(order)


def _block(seed: int) -> Any:
    generator = np.random.default_rng(seed)
    raw = np.zeros((CHAINS + 2 * OPERANDS) * LANES + LANES)
    begin = (-raw.ctypes.data // 8) % LANES
    block = raw[begin : begin + (CHAINS + 2 * OPERANDS) * LANES]
    row = block.reshape(-1, LANES)
    row[:CHAINS] = generator.uniform(0.9, 1.1, (CHAINS, LANES))
    row[CHAINS : CHAINS + OPERANDS] = generator.uniform(0.999999, 1.000001, (OPERANDS, LANES))
    row[CHAINS + OPERANDS :] = generator.uniform(-1e-7, 1e-7, (OPERANDS, LANES))
    return block


def seconds(order: tuple[_Kind, ...], threads: int, rounds: int) -> float:
    """Seconds that every thread needs to run an order once for one member."""
    run, blocks = kernel(order), [_block(n) for n in range(threads)]
    run(blocks[0], 1)
    if threads == 1:
        began = time.perf_counter()
        run(blocks[0], rounds)
        return (time.perf_counter() - began) / rounds / LANES
    with ThreadPoolExecutor(threads) as pool:
        began = time.perf_counter()
        list(pool.map(lambda block: run(block, rounds), blocks))
        return (time.perf_counter() - began) / rounds / LANES


def alone(kinds: Sequence[str]) -> dict[str, float]:
    """Nanoseconds of one operation of each kind for one member, fewest of five, one thread."""
    return {
        op: min(seconds(((op,),) * ALONE, 1, 2000) for _ in range(5)) / ALONE * 1e9 for op in kinds
    }


def step_counts() -> Counter[str]:
    """Operations of one step, for one member."""
    return lanes.counted()["step"]

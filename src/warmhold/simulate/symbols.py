"""Follows the equations once with symbols in place of numbers, and keeps what was done.

The right-hand side is written once, as NumPy text. Run with symbols it leaves a graph of its
arithmetic: every value once, sorted by what it depends on. From the graph come the machine code
of ``lanes``, exact derivatives, and the count of operations.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

CONSTANT: Final = 0  # a number
SETTLED: Final = 1  # depends on a member and the stretch it is in, not on its state
MOVING: Final = 2  # depends on the state

LEAVES: Final = frozenset(("number", "y", "p", "c", "alive", "row"))
_UFUNCS: Final = {
    "add": "add", "subtract": "sub", "multiply": "mul", "divide": "div", "power": "pow",
    "negative": "neg", "minimum": "min", "maximum": "max", "exp": "exp", "sqrt": "sqrt",
    "absolute": "abs", "greater": "gt", "floor": "floor",
}  # fmt: skip
NUMPY: Final[dict[str, Callable[..., Any]]] = {
    "add": np.add, "sub": np.subtract, "mul": np.multiply, "pow": np.power, "neg": np.negative,
    "min": np.minimum, "max": np.maximum, "exp": np.exp, "sqrt": np.sqrt, "abs": np.abs,
    "floor": np.floor, "gt": np.greater, "select": np.where, "inverse": lambda x: 1.0 / x,
}  # fmt: skip
"""What each operation of a graph means in NumPy."""


class Graph:
    """Values by number, in an order in which each comes after what it needs.

    ``nodes`` holds (operation, arguments); a leaf's argument is its place, a number's its value.
    """

    def __init__(self) -> None:
        """Begin with nothing."""
        self.nodes: list[tuple[str, tuple[Any, ...]]] = []
        self.level: list[int] = []
        self._known: dict[tuple[str, tuple[Any, ...]], int] = {}

    def _put(self, op: str, args: tuple[Any, ...], level: int) -> int:
        key = (op, args)
        if key not in self._known:
            self._known[key] = len(self.nodes)
            self.nodes.append(key)
            self.level.append(level)
        return self._known[key]

    def number(self, value: float) -> int:
        """A constant."""
        return self._put("number", (float(value),), CONSTANT)

    def leaf(self, kind: str, place: int = 0) -> int:
        """An input: ``y``, ``p``, ``c`` or ``row`` with a place, or ``alive``."""
        return self._put(kind, (place,), MOVING if kind in ("y", "row") else SETTLED)

    def value(self, node: int) -> float | None:
        """The number behind a node, None if it is not constant."""
        op, args = self.nodes[node]
        return float(args[0]) if op == "number" else None

    def make(self, op: str, *args: int) -> int:
        """An operation on nodes, simplified: as few of them on moving values as possible."""
        numbers = [self.value(a) for a in args]
        if op == "div":
            return self.make("mul", args[0], self.make("inverse", args[1]))
        if all(n is not None for n in numbers):
            return self.number(float(NUMPY[op](*numbers)))
        simple = getattr(self, f"_{op}", None)
        if simple is not None:
            found: int | None = simple(*args)
            if found is not None:
                return found
        return self._put(op, args, max(self.level[a] for a in args))

    def _add(self, a: int, b: int) -> int | None:
        if self.value(a) == 0.0:
            return b
        if self.value(b) == 0.0:
            return a
        if self.nodes[b][0] == "neg":
            return self.make("sub", a, self.nodes[b][1][0])
        if self.nodes[a][0] == "neg":
            return self.make("sub", b, self.nodes[a][1][0])
        return None if a <= b else self.make("add", b, a)

    def _sub(self, a: int, b: int) -> int | None:
        if self.value(b) == 0.0:
            return a
        if self.value(a) == 0.0:
            return self.make("neg", b)
        if self.nodes[b][0] == "neg":
            return self.make("add", a, self.nodes[b][1][0])
        return self.number(0.0) if a == b else None

    def _neg(self, a: int) -> int | None:
        return int(self.nodes[a][1][0]) if self.nodes[a][0] == "neg" else None

    def _mul(self, a: int, b: int) -> int | None:
        if (self.level[a], a) < (self.level[b], b):
            a, b = b, a  # what moves comes first, what is settled second
        number = self.value(b)
        if number == 0.0:
            return b
        if number == 1.0:
            return a
        for one, other in ((a, b), (b, a)):
            if self.nodes[one][0] == "neg":
                return self.make("neg", self.make("mul", self.nodes[one][1][0], other))
        if number == -1.0:
            return self.make("neg", a)
        for one, other in ((a, b), (b, a)):
            op, args = self.nodes[one]
            if op == "select" and {self.value(args[1]), self.value(args[2])} == {0.0, 1.0}:
                opens = self.value(args[1]) == 1.0  # a gate: let the other through, or nothing
                pair = (other, args[2]) if opens else (args[1], other)
                return self.make("select", args[0], *pair)
        op, args = self.nodes[a]
        if op == "mul" and self.level[b] < self.level[a] and self.level[args[1]] < self.level[a]:
            return self.make("mul", args[0], self.make("mul", args[1], b))
        return self._put("mul", (a, b), self.level[a])

    def _inverse(self, a: int) -> int | None:
        return int(self.nodes[a][1][0]) if self.nodes[a][0] == "inverse" else None

    def _pow(self, a: int, b: int) -> int | None:
        exponent = self.value(b)
        return {1.0: a, 0.5: self.make("sqrt", a)}.get(exponent) if exponent is not None else None

    def _select(self, condition: int, a: int, b: int) -> int | None:
        del condition
        return a if a == b else None

    def needed(self, roots: Sequence[int], level: int) -> list[int]:
        """Every node of a level or above behind the roots, in order."""
        seen: set[int] = set()
        todo = [r for r in roots if self.level[r] >= level]
        while todo:
            node = todo.pop()
            if node in seen:
                continue
            seen.add(node)
            op, args = self.nodes[node]
            if op not in LEAVES:
                todo += [a for a in args if self.level[a] >= level]
        return sorted(seen)


class Symbol(np.lib.mixins.NDArrayOperatorsMixin):
    """A value of a graph that NumPy text can reckon with."""

    def __init__(self, graph: Graph, node: int) -> None:
        """Stand for a node."""
        self.graph = graph
        self.node = node

    def _node(self, other: Any) -> int:
        return other.node if isinstance(other, Symbol) else self.graph.number(other)

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Any:
        """Note an operation of NumPy."""
        if method != "__call__" or kwargs:
            return NotImplemented
        name, args = ufunc.__name__, [self._node(i) for i in inputs]
        if name == "less":
            name, args = "greater", args[::-1]
        if name not in _UFUNCS:
            return NotImplemented
        return Symbol(self.graph, self.graph.make(_UFUNCS[name], *args))

    def __array_function__(self, func: Any, types: Any, args: Any, kwargs: Any) -> Any:
        """Note a choice."""
        del types
        if func is not np.where or kwargs:
            return NotImplemented
        return Symbol(self.graph, self.graph.make("select", *(self._node(a) for a in args)))

    def __getitem__(self, key: Any) -> Symbol:
        """The symbol itself: ``choose`` asks for element ``()``."""
        if key != ():
            raise IndexError("a symbol has no elements")
        return self

    def __bool__(self) -> bool:
        """Refuse: text that branches cannot be followed."""
        raise TypeError("the equations branch on a value: use choose, np.minimum or np.maximum")


def derivatives(
    graph: Graph, outputs: Sequence[int], variables: Sequence[int]
) -> dict[tuple[int, int], int]:
    """Exact derivatives of several nodes by several leaves, as nodes of the same graph.

    The chain rule is applied to one inner value after another, always the one that multiplies
    fewest pairs next (Griewank and Reese 1991, the rule of Markowitz; memory): far fewer products
    than going through the graph once for each variable or each output.

    Parameters
    ----------
    graph : where the nodes are
    outputs : nodes to differentiate
    variables : leaves to differentiate by

    Returns
    -------
    (place in outputs, place in variables) to node, only what is not nought.
    """
    behind: dict[int, dict[int, int]] = {
        v: {} for v in variables
    }  # value -> {what it follows: how}
    ahead: dict[int, set[int]] = {v: set() for v in variables}
    for node in graph.needed(outputs, MOVING):
        op, args = graph.nodes[node]
        if op in LEAVES:
            continue
        edges: dict[int, int] = {}
        for place, argument in enumerate(args):
            if argument in behind:
                partial = _partial(graph, node, op, args, place)
                if graph.value(partial) != 0.0:
                    before = edges.get(argument, graph.number(0.0))
                    edges[argument] = graph.make("add", before, partial)
        if edges:
            behind[node], ahead[node] = edges, set()
            for argument in edges:
                ahead[argument].add(node)
    ends = {-1 - i: node for i, node in enumerate(outputs) if node in behind}
    for end, node in ends.items():  # outputs may be inner values too: each gets an end of its own
        behind[end] = {node: graph.number(1.0)}
        ahead[node].add(end)
    inner = {n for n in behind if n >= 0} - set(variables)
    while inner:
        node = min(inner, key=lambda n: (len(behind[n]) * len(ahead[n]), n))
        inner.discard(node)
        follows = behind.pop(node)
        for after in ahead.pop(node):
            how = behind[after].pop(node)
            for argument, partial in follows.items():
                through = graph.make("mul", how, partial)
                known = behind[after].get(argument)
                behind[after][argument] = (
                    through if known is None else graph.make("add", known, through)
                )
                ahead[argument].add(after)
        for argument in follows:
            ahead[argument].discard(node)
    place_of = {v: j for j, v in enumerate(variables)}
    return {(-1 - end, place_of[v]): how for end in ends for v, how in sorted(behind[end].items())}


def _partial(graph: Graph, node: int, op: str, args: tuple[int, ...], place: int) -> int:
    """How a node follows one of its arguments."""
    zero, one, make = graph.number(0.0), graph.number(1.0), graph.make
    if op in ("add", "sub", "neg"):
        return graph.number(-1.0) if op == "neg" or (op == "sub" and place == 1) else one
    if op == "mul":
        return args[1 - place]
    if op == "inverse":
        return make("neg", make("mul", node, node))
    if op == "exp":
        return node
    if op == "sqrt":
        return make("mul", graph.number(0.5), make("inverse", node))
    if op == "pow" and place == 0:
        return make("mul", make("mul", node, make("inverse", args[0])), args[1])
    if op == "abs":
        return make("select", make("gt", args[0], zero), one, graph.number(-1.0))
    if op in ("min", "max"):
        # where both are equal the first holds: it is the limit in the equations
        second = make("gt", *(args if op == "min" else args[::-1]))
        return make("select", second, *((one, zero) if place == 1 else (zero, one)))
    if op == "select":
        if place == 0:
            return zero
        return make("select", args[0], *((one, zero) if place == 1 else (zero, one)))
    if op == "gt":
        return zero
    raise NotImplementedError(f"no derivative of {op} by argument {place}")

"""The equations as a graph, and their exact derivatives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates
from warmhold.simulate.symbols import Graph, Symbol, derivatives


def leaves(graph: Graph, kind: str, count: int) -> list[Any]:
    """Symbols for all places of one kind of input."""
    return [Symbol(graph, graph.leaf(kind, i)) for i in range(count)]


def slopes_of(
    y: Sequence[Any], p: Sequence[Any], c: Sequence[Any], alive: Any
) -> tuple[list[Any], list[Any]]:
    """Rates and flows at a state, as symbols."""
    dy: list[Any] = [None] * at.N_STATE
    flow: list[Any] = [None] * at.N_FLOW
    rates(y, p, c, alive, dy, flow)
    return dy, flow


def matrix_of(graph: Graph, y: Sequence[Any], dy: Sequence[Any]) -> dict[tuple[int, int], Symbol]:
    """Exact derivatives of the rates by the states, what is not nought."""
    found = derivatives(graph, [d.node for d in dy], [state.node for state in y])
    return {key: Symbol(graph, node) for key, node in found.items() if graph.value(node) != 0.0}


def matrix_nodes() -> tuple[Graph, dict[tuple[int, int], int]]:
    """A graph of the derivatives alone, and where each of them is in it."""
    graph = Graph()
    y = leaves(graph, "y", at.N_STATE)
    p, c = leaves(graph, "p", at.N_PARAM), leaves(graph, "c", at.N_CONDITION)
    dy, _ = slopes_of(y, p, c, Symbol(graph, graph.leaf("alive")))
    return graph, {key: symbol.node for key, symbol in matrix_of(graph, y, dy).items()}

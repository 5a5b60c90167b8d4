"""General-purpose integrators that the speed benchmarks compare with, each where it is installed.

Not run by itself. All get the same equations, members, legs and outputs, and run on as many threads
as there are processors. Those called from compiled code are stopped where the battery is empty; for
diffrax and SUNDIALS the power goes off in their right-hand side when the charge is used up, which
costs them less than an event.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

import numba
import numpy as np
from _six_hours import Job, fed_legs

from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates
from warmhold.simulate.stepping import processors
from warmhold.simulate.symbols import LEAVES, Graph, Symbol
from warmhold.simulate.traced import leaves, slopes_of

Floats = Any
Solve = Callable[[Job, float], Floats]

N_DATA = at.N_PARAM + at.N_CONDITION + 2 + at.N_FLOW  # constants, conditions, fed, alive, flows


@dataclass(frozen=True)
class Other:
    """One way to do the job.

    name : library and method
    package : what to install
    rtols : relative tolerances to try, loosest first; the absolute ones are equal
    sample : members that it is timed on
    make : returns the solver, or raises ImportError
    one_shape : it is compiled anew for each number of members
    cores : processors it uses
    """

    name: str
    package: str
    rtols: tuple[float, ...]
    sample: int
    make: Callable[[], Solve]
    one_shape: bool = False
    cores: int = processors()


def data_of(job: Job) -> Floats:
    """Everything a right-hand side needs in one row, (members, legs, N_DATA)."""
    _, p, durations, conditions, _ = job
    data = np.zeros((*durations.shape, N_DATA))
    data[..., : at.N_PARAM] = p[:, None]
    data[..., at.N_PARAM : at.N_PARAM + at.N_CONDITION] = conditions
    data[..., at.N_PARAM + at.N_CONDITION] = fed_legs(job)
    return data


def pieces(job: Job, count: int) -> list[Job]:
    """Cut the members into pieces."""
    edges = [len(job[0]) * n // count for n in range(count + 1)]
    return [
        (*(a[first:stop] for a in job[:4]), job[4])  # type: ignore[misc]
        for first, stop in pairwise(edges)
    ]


def in_threads(job: Job, work: Callable[[Job], Floats]) -> Floats:
    """Work on equal pieces at once, one for each processor."""
    with ThreadPoolExecutor(processors()) as pool:
        return np.concatenate(list(pool.map(work, pieces(job, min(processors(), len(job[0]))))))


# --- two that are called from compiled code: numbalsoda and CyRK ----------------------------------

_FED, _ALIVE = at.N_PARAM + at.N_CONDITION, at.N_PARAM + at.N_CONDITION + 1


def _members(go: Any) -> Any:
    """Compiled: members through their legs, cut where the battery is empty.

    ``go(y, times, data, rtol)`` gives the states at the times, the first of them ``y``, or one row
    of NaN.
    """

    def members(start, durations, data, outputs, rtol, trace):  # type: ignore[no-untyped-def]
        for m in range(start.shape[0]):
            y = start[m].copy()
            trace[m] = np.nan
            trace[m, 0] = y
            n = 0
            for s in range(outputs.shape[0]):
                own, count = data[m, s], outputs[s]
                fed = own[_FED] > 0.5
                own[_ALIVE] = 1.0 if fed or y[at.CHARGE] > 0.0 else 0.0
                done, now = 0, 0.0
                while done < count:
                    times = durations[m, s] * np.arange(done, count + 1) / count
                    times[0] = now
                    found = go(y, times - now, own, rtol)
                    if found.shape[0] == 1:
                        return
                    last = count - done
                    drains = own[_ALIVE] > 0.5 and not fed
                    k = 1
                    while k <= last and not (drains and found[k, at.CHARGE] <= 0.0):
                        trace[m, n + done + k] = found[k]
                        k += 1
                    if k > last:
                        y = found[last].copy()
                        break
                    # the battery is empty between two outputs: where, by secants
                    y, now = found[k - 1].copy(), times[k - 1]
                    left, right = y[at.CHARGE], found[k, at.CHARGE]
                    width = times[k] - now
                    for _ in range(10):
                        h = width * left / (left - right)
                        z = go(y, np.array([0.0, h]), own, rtol)
                        if z.shape[0] == 1:
                            return
                        charge = z[1, at.CHARGE]
                        if charge < -1.0e-6:
                            width, right = h, charge
                            continue
                        y, now, left = z[1].copy(), now + h, charge
                        width -= h
                        if charge < 1.0e-6:
                            break
                    y[at.CHARGE] = 0.0
                    own[_ALIVE] = 0.0
                    done += k - 1
                n += count

    return numba.njit(nogil=True, error_model="numpy")(members)


def _in_compiled_code(go: Any) -> Solve:
    run = _members(go)

    def piece(job: Job, rtol: float) -> Floats:
        start, _, durations, _, outputs = job
        trace = np.empty((len(start), 1 + int(outputs.sum()), at.N_STATE))
        run(start, durations, data_of(job), outputs, rtol, trace)
        return trace

    return lambda job, rtol: in_threads(job, lambda part: piece(part, rtol))


def _numbalsoda(method: str) -> Solve:
    library: Any = importlib.import_module("numbalsoda")
    solver = getattr(library, method)
    carray = vars(numba)["carray"]

    def right(t, u, du, p):  # type: ignore[no-untyped-def]
        y = carray(u, (at.N_STATE,))
        dy = carray(du, (at.N_STATE,))
        data = carray(p, (N_DATA,))
        rates(y, data, data[at.N_PARAM :], data[_ALIVE], dy, data[_ALIVE + 1 :])

    compiled: Any = numba.cfunc(library.lsoda_sig, error_model="numpy")(right)
    address = compiled.address

    def go(y, times, data, rtol):  # type: ignore[no-untyped-def]
        found, success = solver(address, y, times, data, rtol, rtol, 100_000)
        return found if success else np.full((1, at.N_STATE), np.nan)

    return _in_compiled_code(numba.njit(nogil=True)(go))


def _cyrk(method: int) -> Solve:
    library: Any = importlib.import_module("CyRK")
    solver = library.nbsolve_ivp

    def right(t, y, data):  # type: ignore[no-untyped-def]
        dy = np.empty(at.N_STATE)
        rates(y, data, data[at.N_PARAM :], data[_ALIVE], dy, data[_ALIVE + 1 :])
        return dy

    slope: Any = numba.njit(error_model="numpy")(right)

    def go(y, times, data, rtol):  # type: ignore[no-untyped-def]
        # output by output: what it gives in between is not of the order of its steps
        states = np.empty((times.shape[0], at.N_STATE))
        states[0] = y
        for k in range(1, times.shape[0]):
            found = solver(
                slope, (0.0, times[k] - times[k - 1]), states[k - 1], (data,), rtol, rtol,
                rk_method=method, warnings=False,
            )  # fmt: skip
            if not found.success:
                return np.full((1, at.N_STATE), np.nan)
            states[k] = found.y[:, -1]
        return states

    return _in_compiled_code(numba.njit(nogil=True)(go))


# --- diffrax: vectorised over members by XLA ------------------------------------------------------


@cache
def _jax_slope() -> Any:
    """The rates as a function of JAX arrays, from the graph of the equations."""
    jnp: Any = importlib.import_module("jax.numpy")
    graph = Graph()
    y, p = leaves(graph, "y", at.N_STATE), leaves(graph, "p", at.N_PARAM)
    c = leaves(graph, "c", at.N_CONDITION)
    dy, _ = slopes_of(y, p, c, Symbol(graph, graph.leaf("alive")))
    nodes = [d.node for d in dy]
    operations = {
        "add": jnp.add, "sub": jnp.subtract, "mul": jnp.multiply, "pow": jnp.power,
        "neg": jnp.negative, "min": jnp.minimum, "max": jnp.maximum, "exp": jnp.exp,
        "sqrt": jnp.sqrt, "abs": jnp.abs, "floor": jnp.floor, "gt": jnp.greater,
        "select": jnp.where, "inverse": lambda x: 1.0 / x,
    }  # fmt: skip

    def slope(t: Any, state: Any, args: Any) -> Any:
        del t
        constants, conditions, fed = args
        alive = jnp.where((fed > 0.5) | (state[at.CHARGE] > 0.0), 1.0, 0.0)
        places = {"y": state, "p": constants, "c": conditions, "alive": alive[None]}
        values: dict[int, Any] = {}
        for node in graph.needed(nodes, 0):
            op, arguments = graph.nodes[node]
            if op == "number":
                values[node] = arguments[0]
            elif op in LEAVES:
                values[node] = places[op][arguments[0]]
            else:
                values[node] = operations[op](*(values[a] for a in arguments))
        return jnp.stack([jnp.asarray(values[n], dtype=jnp.float64) for n in nodes])

    return slope


def _diffrax(method: str) -> Solve:
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")  # it reports its own slow compilation
    os.environ.setdefault("XLA_FLAGS", "--xla_cpu_multi_thread_eigen=false")
    jax: Any = importlib.import_module("jax")
    diffrax: Any = importlib.import_module("diffrax")
    jax.config.update("jax_enable_x64", True)
    jnp = jax.numpy
    term = diffrax.ODETerm(_jax_slope())
    solver = getattr(diffrax, method)()

    def leg(y: Any, p: Any, length: Any, c: Any, fed: Any, count: int, rtol: float) -> Any:
        found = diffrax.diffeqsolve(
            term, solver, 0.0, length, 1.0, y, args=(p, c, fed),
            saveat=diffrax.SaveAt(ts=jnp.linspace(0.0, 1.0, count + 1)[1:] * length),
            stepsize_controller=diffrax.PIDController(rtol=rtol, atol=rtol), max_steps=5_000,
            throw=False,
        )  # fmt: skip
        return found.ys

    def member(outputs: Any, y: Any, p: Any, durations: Any, conditions: Any, fed: Any, rtol: Any):  # type: ignore[no-untyped-def]
        kept = [y[None]]
        for s, count in enumerate(outputs):
            kept.append(leg(y, p, durations[s], conditions[s], fed[s], count, rtol))
            y = kept[-1][-1]
        return jnp.concatenate(kept)

    @cache
    def compiled(outputs: tuple[int, ...]) -> Any:
        one = lambda *rest: member(outputs, *rest)  # noqa: E731
        return jax.jit(jax.vmap(one, in_axes=(0, 0, 0, 0, 0, None)))

    def piece(job: Job, rtol: float) -> Floats:
        start, p, durations, conditions, outputs = job
        return np.asarray(
            compiled(tuple(int(n) for n in outputs))(
                start, p, durations, conditions, fed_legs(job), rtol
            )
        )

    return lambda job, rtol: in_threads(job, lambda part: piece(part, rtol))


# --- SUNDIALS by scikit-sundae: CVODE, the right-hand side called through Python ------------------


def _cvode(method: str) -> Solve:
    library: Any = importlib.import_module("sksundae.cvode")

    def right(y, data, dy):  # type: ignore[no-untyped-def]
        lives = data[_FED] > 0.5 or y[at.CHARGE] > 0.0
        rates(y, data, data[at.N_PARAM :], 1.0 if lives else 0.0, dy, data[_ALIVE + 1 :])

    slope: Any = numba.njit(error_model="numpy")(right)

    def called(t: float, y: Floats, dy: Floats, data: tuple[Floats]) -> None:
        del t
        slope(y, data[0], dy)

    def solve(job: Job, rtol: float) -> Floats:
        start, _, durations, _, outputs = job
        data = data_of(job)
        trace = np.empty((len(start), 1 + int(outputs.sum()), at.N_STATE))
        for m in range(len(start)):
            y, n = start[m], 0
            trace[m, 0] = y
            for s, count in enumerate(outputs):
                solver = library.CVODE(
                    called, userdata=(data[m, s],), method=method, rtol=rtol, atol=rtol,
                    max_num_steps=100_000,
                )  # fmt: skip
                found = solver.solve(np.linspace(0.0, durations[m, s], count + 1), y)
                trace[m, n + 1 : n + 1 + count] = found.y[1:]
                n += count
                y = found.y[-1].copy()
        return trace

    return solve


def version(package: str) -> str:
    """Installed version, empty when it is not installed."""
    metadata: Any = importlib.import_module("importlib.metadata")
    try:
        return str(metadata.version(package))
    except metadata.PackageNotFoundError:
        return ""


_LADDER = tuple(k * 10.0**-n for n in range(3, 9) for k in (1.0, 0.5, 0.2))
# of CyRK's and diffrax's explicit methods the fastest here; the eighth-order ones were slower
OTHERS: tuple[Other, ...] = (
    Other("numbalsoda LSODA", "numbalsoda", _LADDER, 400, lambda: _numbalsoda("lsoda")),
    Other("numbalsoda DOP853", "numbalsoda", _LADDER, 400, lambda: _numbalsoda("dop853")),
    Other("CyRK RK45", "CyRK", _LADDER, 200, lambda: _cyrk(1)),
    Other("diffrax Tsit5", "diffrax", _LADDER, 1000, lambda: _diffrax("Tsit5"), one_shape=True),
    Other(
        "diffrax Kvaerno5",
        "diffrax",
        _LADDER[9:14],
        16,
        lambda: _diffrax("Kvaerno5"),
        one_shape=True,
    ),
    Other("SUNDIALS CVODE BDF", "scikit-sundae", _LADDER, 16, lambda: _cvode("BDF"), cores=1),
)

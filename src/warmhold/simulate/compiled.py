"""Turns the pure science functions and the right-hand side into machine code.

The science layer knows nothing of this: its functions are registered here as they stand, and
``choose`` gets a scalar form. Compiled code is kept in the folder of ``kept``, under a name made
from the sources themselves, so that an edited equation can never run from an old file; where no
cache can be written, it is compiled anew each time.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import numba
from numba.extending import overload, register_jitable

from warmhold.science.choose import choose
from warmhold.simulate import equations
from warmhold.simulate.kept import cache_folder

_SCIENCE = ("air", "battery", "body", "breath", "heat", "metabolism", "skin")


CACHE_FOLDER = cache_folder()
if CACHE_FOLDER is not None:
    vars(numba.config)["CACHE_DIR"] = str(CACHE_FOLDER)


@overload(choose)
def _choose_scalar(condition: Any, when_true: Any, when_false: Any) -> Callable[..., Any]:
    def scalar(condition: Any, when_true: Any, when_false: Any) -> Any:
        return when_true if condition else when_false

    return scalar


def _register() -> None:
    for name in _SCIENCE:
        module = import_module(f"warmhold.science.{name}")
        for item in vars(module).values():
            if (
                callable(item)
                and getattr(item, "__module__", "") == module.__name__
                and not isinstance(item, type)
            ):
                register_jitable(item)
    register_jitable(equations.rates)


_register()


def machine_code(function: Callable[..., Any], *, nogil: bool = False) -> Callable[..., Any]:
    """Compile a function on first use; keep the result where a cache can be written.

    Parameters
    ----------
    function : function of numbers and arrays that numba can compile
    nogil : let other threads run meanwhile; for code that touches no Python object

    Returns
    -------
    The compiled function.
    """
    compiled: Callable[..., Any] = numba.njit(
        cache=CACHE_FOLDER is not None, nogil=nogil, error_model="numpy"
    )(function)
    return compiled

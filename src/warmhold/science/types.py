"""Type aliases of the science functions.

Every function takes and gives a float or an array of floats alike; arrays broadcast as in NumPy.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Num: TypeAlias = float | NDArray[np.float64]
"""A number or an array of numbers."""

Condition: TypeAlias = bool | np.bool_ | NDArray[np.bool_]
"""A truth value or an array of truth values, such as ``x > 0.0`` gives for a ``Num``."""

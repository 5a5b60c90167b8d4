"""Percentage points of the normal distribution, for whole arrays.

Source: Wichura MJ (1988), Algorithm AS 241: the percentage points of the normal distribution,
Applied Statistics 37(3):477, routine PPND16, accurate to about 1 part in 10^16 (verified against
SciPy's ndtri and the standard library's NormalDist in ``tests/science/test_normal.py``).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# rising powers: numerator, denominator
_MIDDLE: Final = (
    (3.3871328727963666080e0, 1.3314166789178437745e2, 1.9715909503065514427e3,
     1.3731693765509461125e4, 4.5921953931549871457e4, 6.7265770927008700853e4,
     3.3430575583588128105e4, 2.5090809287301226727e3),
    (1.0, 4.2313330701600911252e1, 6.8718700749205790830e2, 5.3941960214247511077e3,
     2.1213794301586595867e4, 3.9307895800092710610e4, 2.8729085735721942674e4,
     5.2264952788528545610e3),
)  # fmt: skip
_OUTER: Final = (
    (1.42343711074968357734e0, 4.63033784615654529590e0, 5.76949722146069140550e0,
     3.64784832476320460504e0, 1.27045825245236838258e0, 2.41780725177450611770e-1,
     2.27238449892691845833e-2, 7.74545014278341407640e-4),
    (1.0, 2.05319162663775882187e0, 1.67638483018380384940e0, 6.89767334985100004550e-1,
     1.48103976427480074590e-1, 1.51986665636164571966e-2, 5.47593808499534494600e-4,
     1.05075007164441684324e-9),
)  # fmt: skip
_TAIL: Final = (
    (6.65790464350110377720e0, 5.46378491116411436990e0, 1.78482653991729133580e0,
     2.96560571828504891230e-1, 2.65321895265761230930e-2, 1.24266094738807843860e-3,
     2.71155556874348757815e-5, 2.01033439929228813265e-7),
    (1.0, 5.99832206555887937690e-1, 1.36929880922735805310e-1, 1.48753612908506148525e-2,
     7.86869131145613259100e-4, 1.84631831751005468180e-5, 1.42151175831644588870e-7,
     2.04426310338993978564e-15),
)  # fmt: skip
_SPLIT: Final = 0.425  # of |share - 1/2|
_FAR: Final = 5.0  # of sqrt(-log(tail))


def _ratio(pair: tuple[tuple[float, ...], tuple[float, ...]], x: Floats) -> Floats:
    top, bottom = (np.polynomial.polynomial.polyval(x, np.array(part)) for part in pair)
    return np.asarray(top / bottom)


def normal_quantile(share: Floats) -> Floats:
    """Standard normal score below which a share of the distribution lies.

    Parameters
    ----------
    share : any shape, above 0 and below 1

    Returns
    -------
    Scores of the same shape.

    Raises
    ------
    ValueError
        When a share is not between 0 and 1.
    """
    share = np.asarray(share, dtype=np.float64)
    if not ((share > 0.0) & (share < 1.0)).all():
        raise ValueError("share: above 0 and below 1")
    centred = share - 0.5
    middle = np.abs(centred) <= _SPLIT
    score = np.empty_like(share)
    near = centred[middle]
    score[middle] = near * _ratio(_MIDDLE, 0.180625 - near * near)
    out = ~middle
    r = np.sqrt(-np.log(np.minimum(share[out], 1.0 - share[out])))
    size = np.where(r <= _FAR, _ratio(_OUTER, r - 1.6), _ratio(_TAIL, r - _FAR))
    score[out] = np.copysign(size, centred[out])
    return score

"""The measurement update: a serial square-root ensemble filter, no random numbers.

One scalar observation after another. The mean moves by the Kalman gain of the ensemble's own
covariances, the deviations from it by a reduced gain, so that the ensemble's covariance is exactly
that of the Kalman update. Form: Whitaker and Hamill 2002, Mon. Wea. Rev. 130:1913, eq. 10 to 13
(memory; checked against an independent Kalman filter in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Gain:
    """What one observation does to the state.

    mean : weight of the innovation on the mean, (columns,)
    part : weight of each row's own predicted deviation on its deviation, (columns,)
    innovation : observed less expected
    variance : of the innovation as expected: ensemble and error of observation
    """

    mean: Floats
    part: Floats
    innovation: float
    variance: float


def gain(
    x: Floats,
    predicted: Floats,
    value: float,
    error_variance: float,
    weights: Floats | None = None,
    innovation: float | None = None,
) -> Gain:
    """Gain of one scalar observation.

    Parameters
    ----------
    x : (members, columns) state
    predicted : (members,) what each member expects to be read
    value : what was read [unit of predicted]
    error_variance : of the observation, above 0 [unit of predicted, squared]
    weights : (columns,) 0 to 1: how much of the gain a column takes; all of it if None
    innovation : used instead of value less the mean of predicted, if not None

    Returns
    -------
    A ``Gain``.
    """
    members = x.shape[0]
    middle = predicted.mean()
    spread = predicted - middle
    own = float(spread @ spread) / (members - 1)
    variance = own + error_variance
    across = (spread @ (x - x.mean(axis=0))) / (members - 1)
    mean = across / variance
    if weights is not None:
        mean = mean * weights
    reduced = 1.0 / (1.0 + np.sqrt(error_variance / variance))
    found = value - float(middle) if innovation is None else innovation
    return Gain(mean, reduced * mean, found, variance)


def update(x: Floats, predicted: Floats, g: Gain) -> Floats:
    """Apply a gain to the ensemble it was made from.

    Parameters
    ----------
    x : (members, columns) state
    predicted : (members,) what each member expected
    g : its gain

    Returns
    -------
    (members, columns) the state after the observation.
    """
    spread = predicted - predicted.mean()
    return np.asarray(x + g.mean * g.innovation - spread[:, None] * g.part)


def sure_weights(x: Floats, predicted: Floats) -> Floats:
    """How far each column's correlation with an observation can be believed, 0 to 1.

    A correlation r found in a sample of n is off by about 1 / sqrt(n) by chance. The gain is
    damped by 1 - (1 - r^2) / (n r^2), not below 0: what minimises the expected square error when
    a regression coefficient is scaled (derived).

    Parameters
    ----------
    x : (members, columns) state
    predicted : (members,)

    Returns
    -------
    (columns,) weights.
    """
    members = x.shape[0]
    spread = predicted - predicted.mean()
    about = x - x.mean(axis=0)
    power = (about * about).sum(axis=0) * float(spread @ spread)
    across = spread @ about
    square = np.divide(across * across, power, out=np.zeros_like(power), where=power > 1e-300)
    doubt = np.divide(
        1.0 - square, members * square, out=np.full_like(square, np.inf), where=square > 1e-12
    )
    return np.asarray(np.clip(1.0 - doubt, 0.0, 1.0))

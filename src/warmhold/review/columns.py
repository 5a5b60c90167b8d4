"""Many transfers as columns: each is taken from the transfers once, when it is first asked for.

What is asked of many transfers at once (`warmhold.review.metrics`) is asked of these; what a value
of one transfer means is said in `warmhold.review.transfer` alone. A part of the transfers takes its
columns from the whole. What is not known is NaN, ``None`` or `UNKNOWN`, and never zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from operator import attrgetter
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from warmhold.review.transfer import Temperature, Transfer

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Truths = NDArray[np.int8]  # `YES`, `NO` or `UNKNOWN`
Mask = NDArray[np.bool_]

YES: Final = 1
NO: Final = 0
UNKNOWN: Final = -1


class Columns(Sequence[Transfer]):
    """Transfers in their order, with their columns."""

    def __init__(self, transfers: Sequence[Transfer]) -> None:
        """Hold the transfers; nothing is read of them yet."""
        self._transfers: Sequence[Transfer] = transfers
        self._made: dict[str, Any] = {}
        self._whole: Columns | None = None
        self._rows: Whole | None = None

    @classmethod
    def of(cls, transfers: Sequence[Transfer]) -> Columns:
        """Return the columns of transfers; those that are columns already as they stand."""
        return transfers if isinstance(transfers, Columns) else cls(transfers)

    def some(self, mask: Mask) -> Columns:
        """Return a part of the transfers, in their order.

        mask : (transfers,) which
        """
        rows: Whole = np.flatnonzero(mask)
        part = Columns(_Part(self._transfers, rows))
        part._whole, part._rows = self, rows
        return part

    def __len__(self) -> int:
        """How many transfers."""
        return len(self._transfers)

    def __iter__(self) -> Iterator[Transfer]:
        """Go through the transfers."""
        return iter(self._transfers)

    def __getitem__(self, place: Any) -> Any:
        """One transfer, or a list of some."""
        return self._transfers[place]

    def column(self, name: str, make: Callable[[Sequence[Transfer]], NDArray[Any]]) -> Any:
        """Return a column, made once.

        name : of the column
        make : makes it of the transfers, one row each
        """
        found = self._made.get(name)
        if found is None:
            if self._whole is None:
                found = make(self._transfers)
            else:
                found = self._whole.column(name, make)[self._rows]
            self._made[name] = found
        return found

    # --- columns -------------------------------------------------------------------------------

    @property
    def keys(self) -> NDArray[Any]:
        """Keys of the transfers."""
        return self.words("key")

    def keys_of(self, mask: Mask) -> tuple[str, ...]:
        """Return the keys of some."""
        return tuple(self.keys[mask].tolist())

    def words(self, name: str) -> NDArray[Any]:
        """Return an attribute that is a word or ``None``."""
        return np.asarray(self.column(f"object {name}", _made(name)))

    def lacks(self, name: str) -> Mask:
        """Whether an attribute that is a word is not known."""
        nothing: Any = None
        return np.asarray(np.equal(self.words(name), nothing), dtype=np.bool_)

    def number(self, name: str) -> Floats:
        """Return an attribute that is a number; NaN where it is not known."""

        def make(transfers: Sequence[Transfer]) -> Floats:
            return np.array(list(map(attrgetter(name), transfers)), dtype=np.float64)

        return np.asarray(self.column(name, make))

    def shares(self, name: str) -> Floats:
        """Return an attribute that is a `Share`: (transfers, 4); NaN where it is not known [min].

        The four are inside, below, above and unread.
        """
        nothing = (math.nan, math.nan, math.nan, math.nan)

        def make(transfers: Sequence[Transfer]) -> Floats:
            found = [
                nothing if s is None else (s.inside_min, s.below_min, s.above_min, s.unread_min)
                for s in map(attrgetter(name), transfers)
            ]
            return np.array(found, dtype=np.float64).reshape(-1, 4)

        return np.asarray(self.column(name, make))

    def truth(self, name: str) -> Truths:
        """Return an attribute that is true, false or not known."""

        def make(transfers: Sequence[Transfer]) -> Truths:
            code = {True: YES, False: NO, None: UNKNOWN}
            return np.array([code[getattr(one, name)] for one in transfers], dtype=np.int8)

        return np.asarray(self.column(name, make))

    def moment(self, name: str) -> Floats:
        """Return a moment in whole microseconds, NaN where it is not known [us]."""

        def make(transfers: Sequence[Transfer]) -> Floats:
            return _times(one.moments.get(name) for one in transfers)

        return np.asarray(self.column(f"at {name}", make))

    def minutes(self, begin: str, end: str) -> Floats:
        """Return the minutes between two moments, as `Transfer.minutes` does; NaN if not known."""
        length = (self.moment(end) - self.moment(begin)) / 1e6 / 60.0
        return np.where(length >= 0.0, length, np.nan)

    def temperature(self, which: str) -> tuple[Floats, Floats, NDArray[Any]]:
        """Return a body temperature: value, moment and site.

        which : first_temperature or last_temperature of `Transfer`

        Returns
        -------
        Values [degC], moments as of `moment` [us], sites; NaN and ``None`` where there is none.
        """

        def taken(what: str, make: Callable[[Sequence[Temperature | None]], NDArray[Any]]) -> Any:
            def of_all(_transfers: Sequence[Transfer]) -> NDArray[Any]:
                return make(self._root.words(which).tolist())

            return self.column(f"{which} {what}", of_all)

        return (
            taken("value", lambda all_: np.array([None if t is None else t.value_c for t in all_],
                                                 dtype=np.float64)),
            taken("at", lambda all_: _times(None if t is None else t.at for t in all_)),
            taken("site", lambda all_: np.array([None if t is None else t.site for t in all_],
                                                dtype=object)),
        )  # fmt: skip

    @property
    def _root(self) -> Columns:
        return self if self._whole is None else self._whole._root


class _Part(Sequence[Transfer]):
    """Some of many transfers; nothing is copied."""

    def __init__(self, whole: Sequence[Transfer], rows: Whole) -> None:
        self.whole, self.rows = whole, rows

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[Transfer]:
        return (self.whole[row] for row in self.rows.tolist())

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            return [self.whole[row] for row in self.rows[place].tolist()]
        return self.whole[int(self.rows[place])]


def _made(name: str) -> Callable[[Sequence[Transfer]], NDArray[Any]]:
    """Make a column of anything: one object a row, whatever it is."""

    def make(transfers: Sequence[Transfer]) -> NDArray[Any]:
        return np.fromiter(map(attrgetter(name), transfers), object, len(transfers))

    return make


def _times(found: Iterable[datetime | None]) -> Floats:
    # a float of seconds tells microseconds until long after 2200: rounded they are exact
    seconds = [math.nan if at is None else at.timestamp() for at in found]
    return np.rint(1e6 * np.array(seconds, dtype=np.float64))


# --- truths --------------------------------------------------------------------------------------


def truths(holds: Mask, known: Mask) -> Truths:
    """Put together what holds where it is known."""
    out: Truths = np.where(known, holds, UNKNOWN).astype(np.int8)
    return out


def is_between(value: Floats, low: float, high: float) -> Truths:
    """Whether a value is in a band, both ends included."""
    return truths((value >= low) & (value <= high), ~np.isnan(value))


def is_below(value: Floats, low: float) -> Truths:
    """Whether a value is below a limit."""
    return truths(value < low, ~np.isnan(value))


def is_above(value: Floats, high: float) -> Truths:
    """Whether a value is above a limit."""
    return truths(value > high, ~np.isnan(value))


def is_not(one: Truths) -> Truths:
    """The other way round; what is not known stays so."""
    out: Truths = np.where(one == UNKNOWN, UNKNOWN, 1 - one).astype(np.int8)
    return out


def both(one: Truths, other: Truths) -> Truths:
    """Whether both hold; one that does not is enough for no."""
    no = (one == NO) | (other == NO)
    unknown = ~no & ((one == UNKNOWN) | (other == UNKNOWN))
    return truths(~no, ~unknown)

"""Fits of the numbers of a unit to its logs: estimate, what is not told, which test next."""

from warmhold.bench.fit.characterise import Fitted, Number, characterise
from warmhold.bench.fit.drive import Observed, UnfitLog

__all__ = ["Fitted", "Number", "Observed", "UnfitLog", "characterise"]

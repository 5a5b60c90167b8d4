"""The watch on the road: an ensemble filter on the coupled model, and named conditions."""

from warmhold.simulate.bands import Band
from warmhold.watch.named import CAUTION, Condition
from warmhold.watch.outlook import CylinderNow, Forecast, Present
from warmhold.watch.watcher import Judgement, Seen, Watcher

__all__ = [
    "CAUTION",
    "Band",
    "Condition",
    "CylinderNow",
    "Forecast",
    "Judgement",
    "Present",
    "Seen",
    "Watcher",
]

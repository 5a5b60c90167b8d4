"""Charts over time and over units: one module each, with one kind of result."""

from warmhold.review.charts.result import Chart, Point, Signal

__all__ = ["Chart", "Point", "Signal"]

"""Bench tests from logs, a unit's own numbers, rounds, and whether a unit can go."""

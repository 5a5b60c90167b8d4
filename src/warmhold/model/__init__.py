"""Typed inputs of warmhold: trips, units and policies, read strictly."""

from warmhold.model.base import Quantity, Sourced
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.load import (
    Case,
    check_file,
    load_case,
    parse_case,
    parse_rounds,
    parse_unit,
    shipped,
    shipped_path,
    template,
)
from warmhold.model.policy import Policy
from warmhold.model.rounds import Effect, Round, RoundItem, Rounds, Task
from warmhold.model.trip import (
    Baby,
    Cylinder,
    Delay,
    DoorOpening,
    Leg,
    SpareBattery,
    Start,
    StoreItem,
    Supplies,
    Trip,
)
from warmhold.model.unit import Grid, Unit

__all__ = [
    "Baby",
    "Case",
    "Cylinder",
    "Delay",
    "DoorOpening",
    "Effect",
    "Fault",
    "FaultyInput",
    "Grid",
    "Leg",
    "Policy",
    "Quantity",
    "Round",
    "RoundItem",
    "Rounds",
    "Sourced",
    "SpareBattery",
    "Start",
    "StoreItem",
    "Supplies",
    "Task",
    "Trip",
    "Unit",
    "check_file",
    "load_case",
    "parse_case",
    "parse_rounds",
    "parse_unit",
    "shipped",
    "shipped_path",
    "template",
]

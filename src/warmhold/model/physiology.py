"""How babies differ from one another: the spreads that every plan draws from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

_FILE = Path(__file__).resolve().parent.parent / "data" / "tables" / "physiology.toml"


@dataclass(frozen=True)
class Varied:
    """A number that differs from baby to baby: spread is one standard deviation."""

    value: float
    spread: float
    mark: str
    source: str


@dataclass(frozen=True)
class Physiology:
    """The table ``data/tables/physiology.toml``; attribute names equal its keys."""

    radiating_fraction: Varied
    dry_loss_factor: Varied
    rest_factor: Varied
    ceiling_factor: Varied
    vessel_factor: Varied
    skin_vapour_factor: Varied
    area_factor: Varied
    axillary_below_core_k: Varied
    rectal_below_core_k: Varied
    skin_below_core_k: Varied
    wrap_share: Varied
    bag_share: Varied
    plastic_insulation_m2k_w: Varied
    plastic_vapour_share: Varied
    dressed_share: Varied
    dressed_insulation_m2k_w: Varied
    dressed_vapour_share: Varied
    hat_share: Varied
    hat_insulation_m2k_w: Varied


@cache
def physiology() -> Physiology:
    """Read the shipped table."""
    raw = tomllib.loads(_FILE.read_text("utf-8"))
    return Physiology(**{field.name: Varied(**raw[field.name]) for field in fields(Physiology)})

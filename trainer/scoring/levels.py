"""Levels: the targets and thresholds of `levels.toml`, each with its source beside it there."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files

from trainer.errors import UsageError, did_you_mean

__all__ = ["Level", "ShapeRules", "level_named", "levels", "shape_rules"]


@dataclass(frozen=True, slots=True)
class Level:
    """Targets of one level. `swing_log2`: distance from the band's ratio in log2; shares and rates are 0–1."""

    name: str
    title: str
    swing_log2: float
    spread_pct: float
    late_ms: float
    early_ms: float
    drift_ms_per_chorus: float
    landed_rate: float
    lost_share: float
    planned_share: float


@dataclass(frozen=True, slots=True)
class ShapeRules:
    """Thresholds of the shape verdicts (the project's definition)."""

    pinned_missed_changes: int
    pinned_rhythm_repeat: float
    pinned_chord_tone_share: float
    pinned_span_semitones: int
    walking_landed: float
    walking_chord_tone_share: float
    walking_span_semitones: int
    open_missed_changes: int
    open_notes_per_bar: float
    open_semitones: float
    open_entropy_bits: float
    open_spreads: float
    asks_to_open_intensity: float
    arc_semitones_per_bar: float


@cache
def _tables() -> Mapping[str, Mapping[str, float | str]]:
    return tomllib.loads(files("trainer.scoring").joinpath("levels.toml").read_text(encoding="utf-8"))


@cache
def levels() -> Mapping[str, Level]:
    """Every level by name, easiest first."""
    names = {f.name for f in fields(Level)} - {"name"}
    out: dict[str, Level] = {}
    for name, table in _tables().items():
        if name != "shape":
            figures = {key: value for key, value in table.items() if key in names}
            out[name] = Level(name=name, **figures)  # type: ignore[arg-type]
    return out


def level_named(name: str) -> Level:
    """The level of that name; `UsageError` names the ones there are."""
    known = levels()
    if name not in known:
        hint = did_you_mean(name, known)
        raise UsageError(f'"{name}" is not a level; known: {", ".join(known)}{hint}')
    return known[name]


@cache
def shape_rules() -> ShapeRules:
    """The thresholds of the shape verdicts."""
    return ShapeRules(**_tables()["shape"])  # type: ignore[arg-type]

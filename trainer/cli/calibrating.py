"""Calibrations kept for an input with a sound output, and (later in this module) how one is made at the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trainer.settings import PortSettings
    from trainer.take import Calibration

__all__ = ["calibration_key", "output_name", "stored_calibration"]


def output_name(audio: str) -> str:
    """The name of the sound output that will be opened for "auto", "none" or part of a name; "none" without sound."""
    from trainer.ports.audio import list_audio
    from trainer.ports.midi import find_port

    if audio == "none":
        return "none"
    outputs = list_audio()
    if audio == "auto":
        return outputs.default.name if outputs.default is not None else "none"
    return find_port(audio, outputs.names, "sound output")


def calibration_key(output: str, monitor: bool) -> str:
    """Under what a calibration is kept: the output and whether the monitor was on, both of which change the delay."""
    return f"{output}|{'monitor' if monitor else 'direct'}"


def stored_calibration(known: PortSettings, audio: str, monitor: bool) -> Calibration | None:
    """The calibration made of this input with this sound output and monitor setting, or None."""
    if not known.calibrations:
        return None
    kept = known.calibrations.get(calibration_key(output_name(audio), monitor))
    return None if kept is None else calibration_from(kept)


def calibration_from(kept: Any) -> Calibration:
    """A calibration from its plain data, as `trainer.settings` keeps it."""
    from trainer.take import Calibration

    pairs = ("base_ci95_ms", "periods_ci95", "ports")
    fields: dict[str, Any] = {name: tuple(v) if name in pairs and v is not None else v for name, v in kept.items()}
    return Calibration(**fields)

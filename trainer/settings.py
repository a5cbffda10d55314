"""What the program remembers of each input: its profile, faults found by the sound check, calibrations; and the pedals.

One small JSON file a port in the user's configuration folder (`platformdirs`; `TRAINER_CONFIG_DIR` moves it),
written aside, synced and renamed, so that a crash leaves the old one or the new one. What a file that cannot be read
held can be measured again: the message says so.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import subprocess
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

from trainer.aside import written_aside
from trainer.errors import FileFormatError, UsageError
from trainer.profiles import PortProfile
from trainer.system import here

__all__ = [
    "APP_NAME",
    "PortSettings",
    "config_dir",
    "load_pedals",
    "load_port",
    "load_soundfont",
    "log_dir",
    "open_log",
    "save_pedals",
    "save_port",
    "save_soundfont",
]

APP_NAME = "shuffle-partner"
MAX_LOG_BYTES = 1_000_000
_SCHEMA = {"name": "port", "major": 1, "minor": 0}


@dataclass(frozen=True, slots=True)
class PortSettings:
    """What is known of one input, by its name.

    `channel` carries the bass where it is a sound input;
    `transpose_semitones` is added to what the input sends (an octave shift is ±12); `tuning_cents` is how far it sounds
    from equal temperament; `velocity_flat`: its velocities say nothing; `velocity_floor`: softer notes are ghosts;
    `doubled_ms`: it sends notes twice, this far apart, or None; `calibrations` maps "OUTPUT|monitor" to a calibration
    as plain data.
    """

    port: str
    profile: PortProfile = "pad"
    transpose_semitones: int = 0
    tuning_cents: float = 0.0
    velocity_flat: bool = False
    velocity_floor: int = 0
    doubled_ms: float | None = None
    string_channels: Mapping[str, int] = field(default_factory=dict)
    checked: str = ""
    calibrations: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    channel: int | None = None

    @property
    def set_up(self) -> str:
        """When it was last checked or calibrated (ISO 8601, UTC); "" for never."""
        return max(self.checked, *(str(row.get("made", "")) for row in self.calibrations.values()), "")


def config_dir() -> Path:
    """The folder of the settings; not made here."""
    moved = os.environ.get("TRAINER_CONFIG_DIR")
    if moved:
        return Path(moved)
    import platformdirs

    return here().as_others_see(Path(platformdirs.user_config_dir(APP_NAME, appauthor=False)))


def log_dir() -> Path:
    """The folder of the engine's logs and of reports on the program's own faults; not made here."""
    moved = os.environ.get("TRAINER_LOG_DIR")
    if moved:
        return Path(moved)
    import platformdirs

    return here().as_others_see(Path(platformdirs.user_log_dir(APP_NAME, appauthor=False)))


def open_log(name: str) -> tuple[IO[bytes] | int, Path | None]:
    """A process's log, appended to and begun afresh past a megabyte; nowhere if its folder cannot be written."""
    path = log_dir() / f"{name}.log"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.stat().st_size > MAX_LOG_BYTES:
            with contextlib.suppress(OSError):  # another process has it open: it grows on
                here().replace(path, path.with_suffix(".old.log"))
        return path.open("ab"), path
    except OSError:
        return subprocess.DEVNULL, None


def _port_file(port: str) -> Path:
    stem = here().port_forms(port)[-1]  # the system's numbers round a name change; the name itself stays
    readable = re.sub(r"[^A-Za-z0-9]+", "-", stem).strip("-").lower()[:40] or "port"
    return config_dir() / "ports" / f"{readable}-{hashlib.sha256(stem.encode()).hexdigest()[:8]}.json"


def load_port(port: str) -> PortSettings | None:
    """What is remembered of a port, or None; `FileFormatError` for a file that is not one of ours."""
    import msgspec

    path = _port_file(port)
    try:
        raw = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise FileFormatError(f"cannot read {path}: {error}; delete it and run: trainer check") from None
    try:
        data = json.loads(raw)
        if data["schema"]["name"] != _SCHEMA["name"] or data["schema"]["major"] != _SCHEMA["major"]:
            raise ValueError("another kind or version of file")
        return msgspec.convert(data, PortSettings)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise FileFormatError(
            f"{path} is not the settings of a port ({error}); delete it and run: trainer check"
        ) from None


def save_port(settings: PortSettings) -> Path:
    """Remember a port's settings; the file written. `UsageError` when the folder cannot be written."""
    return _remembered(_port_file(settings.port), {"schema": _SCHEMA, **asdict(settings)})


def _remembered(path: Path, data: dict[str, Any]) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_aside(path) as out:
            out.write(json.dumps(data, indent=1, sort_keys=True, allow_nan=False).encode() + b"\n")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}; nothing was remembered") from None
    return path


def load_pedals() -> list[dict[str, Any]]:
    """The foot switches that were learnt, as plain data; `FileFormatError` for a file that is not one of ours."""
    path = config_dir() / "pedals.json"
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))["switches"]
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise ValueError("no list of switches")
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise FileFormatError(f"cannot read {path}: {error}; delete it and run: trainer pedal") from None
    return rows


def save_pedals(switches: list[dict[str, Any]]) -> Path:
    """Remember the foot switches; the file written. `UsageError` when the folder cannot be written."""
    schema = {"name": "pedals", "major": 1, "minor": 0}
    return _remembered(config_dir() / "pedals.json", {"schema": schema, "switches": switches})


def load_soundfont() -> Path | None:
    """The SoundFont that was chosen for the band, or None; a file that says nothing of it is none."""
    try:
        name = json.loads((config_dir() / "sounds.json").read_text(encoding="utf-8"))["soundfont"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return Path(name) if isinstance(name, str) and name and "\0" not in name else None


def save_soundfont(path: Path | None) -> None:
    """Remember the band's SoundFont; None: the built-in sounds. `UsageError` when the folder cannot be written."""
    schema = {"name": "sounds", "major": 1, "minor": 0}
    _remembered(config_dir() / "sounds.json", {"schema": schema, "soundfont": None if path is None else str(path)})

"""What a run is asked for, and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from trainer.band import PARTS
from trainer.engine import Setup
from trainer.ports.pedal import Switch
from trainer.profiles import PortProfile
from trainer.session import Session
from trainer.take.model import Calibration, Take

if TYPE_CHECKING:
    from trainer.page import PageLink

Status = Literal["completed", "stopped", "interrupted", "terminated", "engine_died", "fault"]

__all__ = ["PartMix", "PlayOptions", "PlayResult", "Status", "part_gains", "setup_of"]


@dataclass(frozen=True, slots=True)
class PartMix:
    """One part's volume (0–1, as it is shown), and whether it is muted or alone."""

    volume_frac: float = 1.0
    muted: bool = False
    solo: bool = False


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """How a session is to be played.

    `midi_in`, `midi_out`, `clock_out`, `follow`: port names or parts of one, None for none. `audio`: "auto", "none" or
    an output's name. `bass_in`: the sound input that an ordinary bass is on, `bass_channel` which of its channels
    (None: found), `keep_sound` whether it is recorded. `mix` by part name (`trainer.band.PARTS`). `typing`: the
    computer keyboard is played as a pad, `typing_told`: an earlier run said what that cannot show. `script`: a
    stand-in player's (song second, MIDI message) rows, heard in the input's place. `guide_line`: rows (onset_beats,
    duration_beats, pitch, velocity) for the guide bass. `soundfont`: a file whose sounds replace the built-in ones.
    `stand`: the stand page, shown and heard while the run lasts (None: no page). `extra`: plain data for the take's
    header. `cues`: (shown from beat, gone at beat, text) called to the player; with any, the screen does not give away
    how many choruses there will be. `open_end`: it goes on until it is told to stop. `task`: what is to be done, in a
    few words, and `tab`, by bar of the chart, what its model line looks like, for the screen. `pedals`: the foot
    switches that were learnt. `keeps_tempo`: what is played has one tempo, and no key asks for another. `source`: whom
    a script is the playing of.
    `record` False keeps no take. `quiet_screen`: plain lines even on a terminal; `ascii_only`: no block characters.
    """

    midi_in: str | None = None
    midi_out: str | None = None
    audio: str = "auto"
    monitor: bool = True
    takes_dir: Path | None = None
    mix: Mapping[str, PartMix] = field(default_factory=dict)
    figures: bool = False
    calm: bool = False
    typing: bool = False
    typing_told: bool = False
    bass_in: str | None = None
    bass_channel: int | None = None
    keep_sound: bool = True
    profile: PortProfile = "pad"
    velocity_floor: int = 0
    transpose_semitones: int = 0
    calibration: Calibration | None = None
    guide: str | None = None
    guide_line: Sequence[tuple[float, float, float, float]] | None = None
    soundfont: Path | None = None
    clock_out: str | None = None
    follow: str | None = None
    quiet_screen: bool = False
    ascii_only: bool = False
    record: bool = True
    script: Sequence[tuple[float, bytes]] | None = None
    block_frames: int = 256
    stand: PageLink | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)
    cues: Sequence[tuple[float, float, str]] = ()
    open_end: bool = False
    task: str = ""
    tab: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    source: str = ""
    pedals: tuple[Switch, ...] = ()
    keeps_tempo: bool = False


@dataclass(frozen=True, slots=True)
class PlayResult:
    """What came of a run.

    `status`: "completed" · "stopped" (by key) · "interrupted" (Ctrl-C) · "terminated" (a signal, the terminal closed) ·
    "engine_died" · "fault". `take` None: nothing was played, or nothing was to be kept. `next_tempo_bpm`: the tempo
    asked for the next run, None when unchanged. `warnings`: what was said, a line each. `asked`: "again" or "next"
    where that is what the run was ended for, else "". `marked`: the bars that the player marked, (chorus, bar). `mix`:
    the parts as they were left.
    """

    status: Status
    take_path: Path | None = None
    take: Take | None = None
    warnings: tuple[str, ...] = ()
    next_tempo_bpm: float | None = None
    asked: str = ""
    marked: tuple[tuple[int, int], ...] = ()
    mix: Mapping[str, PartMix] = field(default_factory=dict)

    @property
    def leaves(self) -> bool:
        """Whether the person is done, rather than on the way to what comes next."""
        return self.status != "completed" and self.asked != "next"

    @property
    def interrupted(self) -> bool:
        return self.status in ("interrupted", "terminated")


def part_gains(mix: Mapping[str, PartMix]) -> tuple[float, ...]:
    """The gain of each part: the volume squared (even steps to the ear; our choice), 0 when muted or when another part
    is alone. The count is never silenced by another part's solo: without it nobody could come in.
    """
    alone = any(part.solo for part in mix.values())
    out = []
    for name in PARTS:
        part = mix.get(name, PartMix())
        silent = part.muted or (alone and not part.solo and name != "count")
        out.append(0.0 if silent else part.volume_frac**2)
    return tuple(out)


def setup_of(session: Session, options: PlayOptions) -> Setup:
    """The engine's orders."""
    import msgspec

    calibration = None if options.calibration is None else msgspec.to_builtins(options.calibration)
    return Setup(
        session=session.to_dict(),
        takes_dir=str(options.takes_dir or ""),
        midi_in=options.midi_in,
        midi_out=options.midi_out,
        audio=options.audio,
        monitor=options.monitor,
        gains=part_gains(options.mix),
        guide=options.guide,
        guide_line=None if options.guide_line is None else [tuple(map(float, row)) for row in options.guide_line],  # type: ignore[misc]
        soundfont=None if options.soundfont is None else str(options.soundfont.absolute()),
        profile="typing" if options.typing else options.profile,
        velocity_floor=options.velocity_floor,
        transpose_semitones=options.transpose_semitones,
        calibration=calibration,
        bass_in=options.bass_in,
        bass_channel=options.bass_channel,
        keep_sound=options.keep_sound,
        clock_out=options.clock_out,
        follow=options.follow,
        record=options.record,
        script=None if options.script is None else [(float(second), bytes(data)) for second, data in options.script],
        block_frames=options.block_frames,
        extra=dict(options.extra),
        pedals=tuple(switch.to_dict() for switch in options.pedals),
    )

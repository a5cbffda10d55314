"""A SoundFont of the user's own in place of the built-in sounds, through FluidSynth (the optional extra `soundfont`).

The same blocks as `StemRenderer` gives, each part by a synthesizer of its own. Blocks asked for in order are the quick
way; for any other place the music of the last seconds before it is played silently first, so that what rings there is
ringing. FluidSynth takes notes at steps of 64 frames: an onset is up to 1.4 ms late at 48 kHz.
"""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from trainer.band.events import BEND_CHANNELS, PARTS, WHEEL_CENTRE, BandScore, wheel_moves
from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError, UsageError
from trainer.limits import FONT_BYTES

__all__ = ["FontRenderer", "check_soundfont", "has_fluidsynth", "loudness_lkfs", "tried_soundfont"]

_RUN_UP_S: Final = 3.0  # played silently before a block that does not follow the one before
_TAIL_S: Final = 3.0
_STEP_FRAMES: Final = 64  # of FluidSynth
_GAIN: Final = 1.5
_PAN: Final = (64, 44, 92, 70, 64, 64)  # place of each part from left (0) to right (127)
# How loud a font's sound of each part is: measured as it is loaded, by a few notes of such a part, beside what the
# built-in sounds make of the same notes (LKFS by ITU-R BS.1770, ungated): so that every set has the band's balance.
_TRIAL_NOTES: Final = {
    "drums": (
        (0.0, 36, 96),
        (0.0, 42, 80),
        (0.5, 38, 100),
        (0.5, 42, 80),
        (1.0, 36, 96),
        (1.0, 51, 90),
        (1.5, 38, 100),
    ),
    "keys": ((0.0, 60, 80), (0.0, 64, 80), (0.0, 70, 80), (1.0, 62, 80), (1.0, 65, 80), (1.0, 69, 80)),
    "chop": ((0.0, 67, 85), (0.0, 70, 85), (0.0, 76, 85), (1.0, 65, 85), (1.0, 69, 85), (1.0, 74, 85)),
    "lead": ((0.0, 67, 90), (0.5, 70, 90), (1.0, 72, 90), (1.5, 67, 90)),
    "guide": ((0.0, 31, 90), (0.5, 35, 90), (1.0, 38, 90), (1.5, 40, 90)),
    "count": ((0.0, 37, 100), (0.5, 37, 100), (1.0, 37, 100), (1.5, 37, 100)),
}
_TRIAL_LENGTH_S: Final = {"keys": 0.9, "chop": 0.15}
_TRIAL_SECONDS: Final = 2.5
# Of the built-in sounds, by part, or by part and program where another stands in (a test measures them again).
_BUILT_IN_LKFS: Final = {
    "drums": -29.4,
    "keys": -27.3,
    "keys 4": -28.2,
    "chop": -37.0,
    "lead": -32.6,
    "lead 53": -33.0,
    "guide": -25.1,
    "count": -33.9,
}
_MOST_GAIN: Final = 8.0  # above and below what FluidSynth gives; beyond it a font has no such sound
_VOLUME_CONTROL: Final = 7
_DRUM_CHANNEL: Final = 9
_OFF, _WHEEL, _ON = 0, 1, 2
_PAN_CONTROL: Final = 10
_TRIAL_S: Final = 60.0  # fonts of a gigabyte exist
_MOST_LISTS: Final = 100  # three are to be there; a hole in a file would be millions
_UNLOADABLE, _EMPTY, _NO_DRUMS = 3, 4, 5
_SETTINGS: Final = {
    "synth.chorus.active": 0,
    "synth.reverb.level": 0.25,
    "synth.dynamic-sample-loading": 1,  # of a large set only what is played is read
}


def check_soundfont(path: str | Path) -> Path:
    """The path of a file that is a whole SoundFont 2 (or 3) file by its own header.

    `UsageError` where there is none, `FileFormatError` where it is something else or cut short.
    """
    file = Path(path)
    try:
        with file.open("rb") as handle:
            head = handle.read(12)
            size = file.stat().st_size
            lists = _lists(handle, size)
    except OSError as error:
        raise UsageError(f"cannot read the SoundFont {file}: {error.strerror or error}; expected a .sf2 file") from None
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"sfbk":
        raise FileFormatError(f'{file}: found no SoundFont (RIFF "sfbk") header; expected a .sf2 or .sf3 file')
    if size > FONT_BYTES:
        raise FileFormatError(
            f"{file}: found a SoundFont of {size / 1e9:.1f} GB; expected at most {FONT_BYTES / 1e9:.1f} GB"
        )
    said = int.from_bytes(head[4:8], "little") + 8
    if size < said:
        raise FileFormatError(f"{file}: found {size} of the {said} bytes it says it has; get the whole file again")
    missing = {"INFO", "sdta", "pdta"} - lists
    if missing:
        raise FileFormatError(f"{file}: found no {', '.join(sorted(missing))} part in it; expected a whole SoundFont")
    return file


def tried_soundfont(path: str | Path) -> Path:
    """The absolute path of a SoundFont that FluidSynth has loaded once: to be asked before anything sounds.

    The trial runs in a process of its own, so that a file which brings the library down is refused like any other.
    `UsageError` without the file or FluidSynth, `FileFormatError` for a file that cannot be played.
    """
    file = check_soundfont(path).absolute()
    trial = "import sys; from trainer.band.sound.font import _load; sys.exit(_load(sys.argv[1]))"
    _library()
    try:
        done = subprocess.run(
            [sys.executable, "-c", trial, str(file)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_TRIAL_S,
            check=False,
        ).returncode
    except subprocess.TimeoutExpired:
        raise FileFormatError(f"{file}: FluidSynth did not load it within {_TRIAL_S:g} s; try a smaller one") from None
    if done == _EMPTY:
        raise FileFormatError(f"{file}: no instrument in it gives a sound; expected a General MIDI SoundFont")
    if done == _NO_DRUMS:
        raise FileFormatError(f"{file}: no drums are in it; expected a General MIDI SoundFont")
    if done != 0:
        raise FileFormatError(f"{file}: FluidSynth cannot load it; expected a whole SoundFont (.sf2 or .sf3)")
    return file


def has_fluidsynth() -> bool:
    """Whether a SoundFont could be played here."""
    try:
        _library()
    except UsageError:
        return False
    return True


def _load(path: str) -> int:
    """Load a font and strike notes of its first instrument and of its drums: 0, or what is wrong as an exit status."""
    synth = _library().Synth(gain=_GAIN, samplerate=22050.0, **_SETTINGS)
    if synth.sfload(path, update_midi_preset=1) < 0:
        return _UNLOADABLE
    synth.system_reset()
    heard = []
    for channel in (0, _DRUM_CHANNEL):
        for pitch in (36, 38, 42, 48, 60, 72):
            synth.noteon(channel, pitch, 110)
        heard.append(int(np.abs(synth.get_samples(4096)).max()) > 8)  # it dithers
        synth.all_sounds_off(channel)
        synth.get_samples(22050)  # the room dies away
    return 0 if all(heard) else _NO_DRUMS if heard[0] else _EMPTY


def _lists(handle: BinaryIO, size: int) -> set[str]:
    """Names of the RIFF lists from where the file stands (SoundFont 2.04 specification, section 4)."""
    names = set()
    at = handle.tell()
    for _ in range(_MOST_LISTS):
        if at + 12 > size:
            break
        handle.seek(at)
        head = handle.read(12)
        if head[:1] == b"\0" and head[1:5] == b"LIST":  # the byte that makes a length even; some files leave it out
            at += 1
            continue
        if head[:4] == b"LIST":
            names.add(head[8:].decode("latin-1"))
        length = int.from_bytes(head[4:8], "little")
        at += 8 + length
    return names


def _library() -> Any:
    try:
        with contextlib.redirect_stdout(io.StringIO()):  # under CI it prints where it was found
            library: Any = import_module("fluidsynth")
    except (ImportError, OSError):
        raise UsageError(
            "a SoundFont needs FluidSynth, which is not here; install the extra (pip install pyfluidsynth) and the "
            "system's FluidSynth library (on Debian: libfluidsynth3), or play without --soundfont"
        ) from None
    inner: Any = getattr(library, "_fl", None)
    for level in range(5):  # its own messages stay out of the screen; ours say what is wrong
        with contextlib.suppress(AttributeError):
            inner.fluid_set_log_function(level, None, None)
    return library


def loudness_lkfs(sound: NDArray[np.float64], rate_hz: int) -> float:
    """Ungated loudness of (n, 2), by the two filters of ITU-R BS.1770-4, tables 1 and 2 (given at 48 kHz, and taken at
    the same frequencies here); -inf of silence."""
    hz = np.fft.rfftfreq(sound.shape[0], 1.0 / rate_hz)
    back = np.exp(-2j * np.pi * np.minimum(hz, 24000.0) / 48000.0)
    shelf = (1.53512485958697 - 2.69169618940638 * back + 1.19839281085285 * back**2) / (
        1.0 - 1.69065929318241 * back + 0.73248077421585 * back**2
    )
    rumble = (1.0 - 2.0 * back + back**2) / (1.0 - 1.99004745483398 * back + 0.99007225036621 * back**2)
    power = 2.0 * (np.abs(np.fft.rfft(sound, axis=0)) ** 2).sum(axis=1) / sound.shape[0] ** 2
    heard = float((power * np.abs(shelf * rumble) ** 2).sum())
    return -0.691 + 10.0 * float(np.log10(heard)) if heard > 0.0 else -np.inf


class FontRenderer:
    """Blocks of every part of a score, played by a SoundFont. The interface of `StemRenderer`."""

    def __init__(self, score: BandScore, tempo: TempoMap, sample_rate_hz: int, path: str | Path) -> None:
        self._file = check_soundfont(path)
        self._library = _library()
        rate = int(sample_rate_hz)
        self.n_parts = len(PARTS)
        self.sample_rate_hz = rate
        self.start_s = float(tempo.seconds_at(score.first_beats))
        self._run_up = round(_RUN_UP_S * rate)
        self._players: list[_Player | None] = [None] * self.n_parts
        self.take_score(score, tempo)

    def take_score(self, score: BandScore, tempo: TempoMap) -> None:
        """Play from this score from now on: one of the same start, alike up to where it was played already."""
        rate, events = self.sample_rate_hz, score.events
        begins = np.maximum(np.rint((score.onsets_s(tempo) - self.start_s) * rate), 0).astype(np.int64)
        ends = begins + np.maximum(np.rint(score.durations_s(tempo) * rate), 1).astype(np.int64)
        last = int(ends.max(initial=0)) + round(_TAIL_S * rate)
        if score.end_beats is not None:
            last = max(last, round((float(tempo.seconds_at(score.end_beats)) - self.start_s) * rate))
        self.n_frames = last
        for idx, player in enumerate(self._players):
            mine = events["part"] == idx
            if player is not None:
                player.take(events[mine], begins[mine], ends[mine])
            elif mine.any():
                self._players[idx] = _Player(
                    self._library, self._file, rate, idx, events[mine], begins[mine], ends[mine], score.programs
                )

    def block(self, first_frame: int, n_frames: int) -> NDArray[np.float32]:
        """(n_parts, n_frames, 2) float32 from `first_frame` on; silence outside the song."""
        out = np.zeros((self.n_parts, n_frames, 2), dtype=np.float32)
        low, high = max(first_frame, 0), min(first_frame + n_frames, self.n_frames)
        if low < high:
            for idx, player in enumerate(self._players):
                if player is not None:
                    player.go_to(low, self._run_up)
                    out[idx, low - first_frame : high - first_frame] = player.play(high - low)
        return out

    def close(self) -> None:
        """Give the synthesizers back."""
        for player in self._players:
            if player is not None:
                player.close()
        self._players = [None] * self.n_parts


class _Player:
    """One part: its notes in order of frames, and a synthesizer standing at a frame."""

    def __init__(
        self,
        library: Any,
        file: Path,
        rate_hz: int,
        part: int,
        events: NDArray[Any],
        begins: NDArray[np.int64],
        ends: NDArray[np.int64],
        programs: Any,
    ) -> None:
        self._synth = library.Synth(gain=_GAIN, samplerate=float(rate_hz), **_SETTINGS)
        self._part = part
        self._rate_hz = rate_hz
        self._font = self._synth.sfload(str(file), update_midi_preset=1)
        if self._font < 0:
            self.close()
            raise FileFormatError(f"{file}: FluidSynth cannot load it; expected a whole SoundFont (.sf2 or .sf3)")
        self._programs = {int(c): int(programs.get(int(c), 0)) for c in np.unique(events["channel"])}
        gains = {channel: self._measured_gain(channel) for channel in self._programs}
        self._level = max(gains.values())
        # The controller's square is the gain (General MIDI 1, recommended practice).
        self._volumes = {channel: round(127 * (gain / self._level) ** 0.5) for channel, gain in gains.items()}
        self._at = 0
        self._played = 0
        self.take(events, begins, ends)
        self._set_up()

    def _measured_gain(self, channel: int) -> float:
        """What brings this channel's sound to the loudness of the built-in one; the most where it gives none."""
        self._volumes = dict.fromkeys(self._programs, 127)
        self._set_up()
        name = PARTS[self._part]
        length_s = _TRIAL_LENGTH_S.get(name, 0.45)
        moments = sorted(
            (at_s + later_s, pitch, velocity * on)
            for at_s, pitch, velocity in _TRIAL_NOTES[name]
            for later_s, on in ((0.0, 1), (length_s, 0))
        )
        pieces, done = [], 0
        for at_s, pitch, velocity in [*moments, (_TRIAL_SECONDS, 0, -1)]:
            n = round(at_s * self._rate_hz) - done
            if n > 0:
                pieces.append(self._synth.get_samples(n).reshape(-1, 2))
                done += n
            if velocity > 0:
                self._synth.noteon(channel, pitch, velocity)
            elif velocity == 0:
                self._synth.noteoff(channel, pitch)
        self._synth.all_sounds_off(channel)
        self._synth.get_samples(self._rate_hz)  # the room dies away
        heard = loudness_lkfs(np.concatenate(pieces).astype(np.float64) / 32768.0, self._rate_hz)
        wanted = _BUILT_IN_LKFS.get(f"{name} {self._programs[channel]}", _BUILT_IN_LKFS[name])
        return float(min(10.0 ** ((wanted - heard) / 20.0), _MOST_GAIN))

    def take(self, events: NDArray[Any], begins: NDArray[np.int64], ends: NDArray[np.int64]) -> None:
        """Other notes, from where the synthesizer stands."""
        # A note's end sorts before the same frame's beginnings, the wheel stands before its note begins.
        moments = [
            (int(b), _ON, int(e["channel"]), int(e["pitch"]), int(e["velocity"]))
            for b, e in zip(begins, events, strict=True)
        ]
        moments += [(int(f), _OFF, int(e["channel"]), int(e["pitch"]), 0) for f, e in zip(ends, events, strict=True)]
        for begin, end, event in zip(begins, ends, events, strict=True):
            if event["channel"] in BEND_CHANNELS:
                length_s = float(end - begin) / self._rate_hz
                for at_s, wheel in wheel_moves(float(event["bend_from"]), float(event["bend_to"]), length_s):
                    frame = int(begin) + round(at_s * self._rate_hz)
                    moments.append((frame, _WHEEL, int(event["channel"]), wheel - WHEEL_CENTRE, 0))
        moments.sort()
        self._moments = moments
        self._frames = np.array([moment[0] for moment in moments], dtype=np.int64)
        self._next = int(np.searchsorted(self._frames, self._at, side="left"))

    def _set_up(self) -> None:
        self._synth.system_reset()
        for channel, program in self._programs.items():
            if channel != _DRUM_CHANNEL:
                self._synth.program_change(channel, program)
            self._synth.cc(channel, _PAN_CONTROL, _PAN[self._part])
            self._synth.cc(channel, _VOLUME_CONTROL, self._volumes[channel])

    def go_to(self, frame: int, run_up: int) -> None:
        if frame == self._at:
            return
        start = max(frame - run_up, 0) // _STEP_FRAMES * _STEP_FRAMES
        if not start <= self._at < frame:
            self._set_up()
            rest = -self._played % _STEP_FRAMES  # its steps then lie as they do from the start
            if rest:
                self._synth.get_samples(rest)
            self._played = 0
            self._at = start
            self._next = int(np.searchsorted(self._frames, start, side="left"))
        while self._at < frame:
            self.play(min(frame - self._at, 1 << 15))

    def play(self, n_frames: int) -> NDArray[np.float32]:
        end = self._at + n_frames
        pieces = []
        while self._at < end:
            while self._next < len(self._moments) and self._moments[self._next][0] <= self._at:
                _, kind, channel, pitch, velocity = self._moments[self._next]
                self._next += 1
                if kind == _ON:
                    self._synth.noteon(channel, pitch, velocity)
                elif kind == _WHEEL:
                    self._synth.pitch_bend(channel, pitch)
                else:
                    self._synth.noteoff(channel, pitch)
            until = self._moments[self._next][0] if self._next < len(self._moments) else end
            n = min(until, end) - self._at
            pieces.append(self._synth.get_samples(n).reshape(-1, 2))
            self._at += n
            self._played += n
        sound: NDArray[np.float32] = np.concatenate(pieces).astype(np.float32)
        return sound * np.float32(self._level / 32768.0)

    def close(self) -> None:
        self._synth.delete()

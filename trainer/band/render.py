"""The band to a file: WAV as it sounds, or a Standard MIDI File for any sequencer. Written aside, then renamed."""

from __future__ import annotations

import wave
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trainer.aside import written_for_a_person
from trainer.band.arranger import arrange
from trainer.band.events import BEND_CHANNELS, MODULATION, PARTS, BandScore, speaker_moves, wheel_moves
from trainer.band.sound import DEFAULT_GAINS, Ducker, FontRenderer, StemRenderer
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError, did_you_mean
from trainer.midi_out import Row, conductor_rows, meta_bytes, midi_bytes, tempo_row, track_bytes
from trainer.music.general_midi import BASS_PROGRAM, CHANNELS, DRUM_CHANNEL
from trainer.session import Chart

__all__ = ["TICKS_PER_BEAT", "render_midi", "render_wav"]

TICKS_PER_BEAT = 960
_BLOCK_FRAMES = 1 << 15
_RATES_HZ = (8000, 192000)


def render_wav(
    chart: Chart,
    path: str | Path,
    *,
    gains: Mapping[str, float] | None = None,
    sample_rate_hz: int = 48000,
    guide: str | None = None,
    count_in: bool = True,
    score: BandScore | None = None,
    clicks: bool = False,
    soundfont: str | Path | None = None,
) -> Path:
    """The band of a chart as a 16-bit stereo WAV file; gives its path.

    `gains`: a factor for any of the parts by name (1 as balanced, 0 muted); `score` plays an arrangement made before;
    `clicks` puts clicks in place of the drums; `soundfont`: a file whose sounds replace the built-in ones.
    `UsageError` for an unknown part, a gain that is not a number from 0 up, an impossible rate or a path that cannot
    be written.
    """
    if not _RATES_HZ[0] <= sample_rate_hz <= _RATES_HZ[1]:
        raise UsageError(f"sample rate: found {sample_rate_hz}; allowed: {_RATES_HZ[0]} to {_RATES_HZ[1]} Hz")
    weights = gain_row(gains)
    score = arrange(chart, guide=guide, count_in=count_in) if score is None else score
    tempo = TempoMap(chart.tempo_segments)
    stems: StemRenderer | FontRenderer
    if soundfont is None:
        stems = StemRenderer(score, tempo, sample_rate_hz, clicks=clicks)
    else:
        stems = FontRenderer(score, tempo, sample_rate_hz, soundfont)
    rng = np.random.default_rng(0)
    ducker = Ducker(sample_rate_hz)

    with written_for_a_person(Path(path)) as handle, wave.open(handle, "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(sample_rate_hz)
        for first in range(0, stems.n_frames, _BLOCK_FRAMES):
            n = min(_BLOCK_FRAMES, stems.n_frames - first)
            block = np.empty((n, 2), dtype=np.float32)
            ducker.mix(stems.block(first, n), weights, block)
            dither = 0.0 if clicks else rng.random((n, 2), dtype=np.float32) - rng.random((n, 2), dtype=np.float32)
            scaled = np.rint(block * 32767.0 + dither)
            out.writeframesraw(np.clip(scaled, -32767, 32767).astype("<i2").tobytes())
    return Path(path)


def gain_row(gains: Mapping[str, float] | None) -> NDArray[np.float32]:
    """Gains by part name as a row in the order of `PARTS`; parts not named keep their default."""
    row = np.array(DEFAULT_GAINS, dtype=np.float32)
    for name, gain in (gains or {}).items():
        if name not in PARTS:
            hint = did_you_mean(name, PARTS)
            raise UsageError(f'gains: found the part "{name}"; allowed: {", ".join(PARTS)}{hint}')
        if not 0.0 <= gain <= 100.0:
            raise UsageError(f"gains: found {gain} for {name}; allowed: a number from 0 to 100")
        row[PARTS.index(name)] = gain
    return row


def _ticks(beats: float, origin_beats: float) -> int:
    return round((beats - origin_beats) * TICKS_PER_BEAT)


def _conductor(chart: Chart, origin_beats: float) -> bytes:
    def tick(beats: float) -> int:
        return _ticks(beats, origin_beats)

    rows = conductor_rows(chart, tick)
    for i, (beats, bpm) in enumerate(chart.tempo_segments):
        rows.append(tempo_row(0 if i == 0 else tick(beats), round(60e6 / bpm)))
    if chart.session.count_in_bars and origin_beats < chart.first_beats:
        rows.append((0, 3, meta_bytes(0x06, b"count-in")))
    if chart.bars[0].chorus == 0:
        rows.append((tick(chart.first_beats), 3, meta_bytes(0x06, b"intro")))
    return track_bytes(rows, chart.session.title, tick(chart.end_beats))


def render_midi(
    chart: Chart,
    path: str | Path,
    *,
    guide: str | None = None,
    count_in: bool = True,
    score: BandScore | None = None,
    of_take: bool = False,
) -> Path:
    """The band of a chart as a Standard MIDI File, format 1; gives its path.

    A conductor track (tempo, time and key signature, a Marker `chorus N ROLE` at each chorus's first downbeat, a Text
    for each chord), then a track for each part that plays, at intended times, with its General MIDI program; bends are
    moves of the pitch wheel, of two semitones' reach, the speed of the organ's speaker is controller 1. `of_take`: the
    guide's notes are what a player played, and their track is named `bass`.
    """
    score = arrange(chart, guide=guide, count_in=count_in) if score is None else score
    tempo = TempoMap(chart.tempo_segments)
    tracks = [_conductor(chart, score.first_beats)]
    for idx, part in enumerate(PARTS):
        mine = np.flatnonzero(score.events["part"] == idx)
        if mine.size:
            played = of_take and part == "guide"
            programs = _programs(score, mine, BASS_PROGRAM if played else None)
            moved = _speaker_rows(score) if part == "keys" else []
            tracks.append(track_bytes([*programs, *_note_rows(score, mine, tempo), *moved], "bass" if played else part))
    with written_for_a_person(Path(path)) as handle:
        handle.write(midi_bytes(tracks, TICKS_PER_BEAT))
    return Path(path)


def _programs(score: BandScore, mine: NDArray[np.intp], program: int | None) -> list[Row]:
    """What names the instrument of each channel but the drums': this program, None for the score's own."""
    channels = [channel for channel in np.unique(score.events["channel"][mine]).tolist() if channel != DRUM_CHANNEL]
    numbers = [score.programs.get(channel, 0) if program is None else program for channel in channels]
    return [(0, 1, bytes((0xC0 | channel, number))) for channel, number in zip(channels, numbers, strict=True)]


def _note_rows(score: BandScore, mine: NDArray[np.intp], tempo: TempoMap) -> list[Row]:
    """Note-ons, note-offs and bends of the events `mine`; a note ends before the same note begins again."""
    events, origin = score.events, score.first_beats
    onsets_s, lengths_s = score.onsets_s(tempo), score.durations_s(tempo)
    begins = tempo.beats_at(onsets_s)
    ends = begins + events["duration_beats"]
    rows: list[Row] = []
    until: dict[tuple[int, int], int] = {}
    for i in mine[::-1]:
        channel, pitch = int(events["channel"][i]), int(events["pitch"][i])
        on = max(_ticks(float(begins[i]), origin), 0)
        off = max(min(_ticks(float(ends[i]), origin), until.get((channel, pitch), 1 << 60)), on + 1)
        until[(channel, pitch)] = on
        rows.append((on, 4, bytes((0x90 | channel, pitch, int(events["velocity"][i])))))
        rows.append((off, 2, bytes((0x80 | channel, pitch, 64))))
        if channel in BEND_CHANNELS:
            moves = wheel_moves(float(events["bend_from"][i]), float(events["bend_to"][i]), float(lengths_s[i]))
            at_beats = tempo.beats_at([onsets_s[i] + at_s for at_s, _ in moves])
            for at, (_, wheel) in zip(at_beats.tolist(), moves, strict=True):
                tick = min(max(_ticks(at, origin), 0), off)
                rows.append((tick, 3, bytes((0xE0 | channel, wheel & 0x7F, wheel >> 7))))
    return rows


def _speaker_rows(score: BandScore) -> list[Row]:
    controller = (0xB0 | CHANNELS["keys"], MODULATION)
    return [(_ticks(at, score.first_beats), 3, bytes((*controller, value))) for at, value in speaker_moves(score)]

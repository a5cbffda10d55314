"""The band to a file: WAV as it sounds, or a Standard MIDI File for any sequencer. Written aside, then renamed."""

from __future__ import annotations

import wave
from collections.abc import Mapping
from pathlib import Path

import mido
import numpy as np

from trainer.aside import written_for_a_person
from trainer.band.arranger import arrange
from trainer.band.events import (
    BEND_CHANNELS,
    MODULATION,
    PARTS,
    WHEEL_CENTRE,
    BandScore,
    speaker_moves,
    wheel_moves,
)
from trainer.band.sound import DEFAULT_GAINS, Ducker, FontRenderer, StemRenderer
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError, did_you_mean
from trainer.music.general_midi import BASS_PROGRAM, CHANNELS
from trainer.session import BEATS_PER_BAR, Chart

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


def gain_row(gains: Mapping[str, float] | None) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
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


def _key_signature(chart: Chart) -> str:
    """As MIDI names it; a key that MIDI cannot name (more than seven accidentals) becomes its equal."""
    name = chart.key.name
    equal = {"G#": "Ab", "D#": "Eb", "A#": "Bb", "Dbm": "C#m", "Gbm": "F#m", "Cbm": "Bm", "Fb": "E", "Fbm": "Em"}
    return equal.get(name, name)


def _conductor(chart: Chart, origin_beats: float) -> mido.MidiTrack:
    moments: list[tuple[int, int, mido.MetaMessage]] = []

    def put(beats: float, rank: int, message: mido.MetaMessage) -> None:
        moments.append((_ticks(beats, origin_beats), rank, message))

    title = chart.session.title.encode("latin-1", "replace").decode("latin-1")
    put(origin_beats, 0, mido.MetaMessage("track_name", name=title))
    put(origin_beats, 1, mido.MetaMessage("time_signature", numerator=BEATS_PER_BAR, denominator=4))
    put(origin_beats, 1, mido.MetaMessage("key_signature", key=_key_signature(chart)))
    for i, (beats, bpm) in enumerate(chart.tempo_segments):
        at = origin_beats if i == 0 else beats
        put(at, 2, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
    if chart.session.count_in_bars and origin_beats < chart.first_beats:
        put(origin_beats, 3, mido.MetaMessage("marker", text="count-in"))
    if chart.bars[0].chorus == 0:
        put(chart.first_beats, 3, mido.MetaMessage("marker", text="intro"))
    seen = 0
    for bar in chart.bars:
        if bar.chorus > seen:
            seen = bar.chorus
            put(bar.onset_beats, 3, mido.MetaMessage("marker", text=f"chorus {bar.chorus} {bar.role}"))
    for span in chart.spans:
        put(span.onset_beats, 4, mido.MetaMessage("text", text=span.chord.name))
    for beats, words in chart.cues:
        put(beats, 5, mido.MetaMessage("cue_marker", text=words))
    return _track(sorted(moments, key=lambda moment: moment[:2]), _ticks(chart.end_beats, origin_beats))


def _track(moments: list[tuple[int, int, mido.MetaMessage | mido.Message]], end_ticks: int) -> mido.MidiTrack:
    track = mido.MidiTrack()
    now = 0
    for at, _, message in moments:
        track.append(message.copy(time=at - now))
        now = at
    track.append(mido.MetaMessage("end_of_track", time=max(end_ticks - now, 0)))
    return track


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
    origin = score.first_beats
    events = score.events
    begins = tempo.beats_at(score.onsets_s(tempo))
    ends = begins + events["duration_beats"]
    onsets_s, lengths_s = score.onsets_s(tempo), score.durations_s(tempo)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_BEAT)
    file.tracks.append(_conductor(chart, origin))
    for idx, part in enumerate(PARTS):
        mine = np.flatnonzero(events["part"] == idx)
        if mine.size == 0:
            continue
        moments: list[tuple[int, int, mido.MetaMessage | mido.Message]] = [
            (0, 0, mido.MetaMessage("track_name", name="bass" if of_take and part == "guide" else part))
        ]
        for channel in sorted({int(c) for c in events["channel"][mine]}):
            if channel != 9:
                program = BASS_PROGRAM if of_take and part == "guide" else score.programs.get(channel, 0)
                moments.append((0, 1, mido.Message("program_change", channel=channel, program=program)))
        until: dict[tuple[int, int], int] = {}
        for i in mine[::-1]:  # a note ends before the same note begins again
            channel, pitch = int(events["channel"][i]), int(events["pitch"][i])
            on = max(_ticks(float(begins[i]), origin), 0)
            off = max(min(_ticks(float(ends[i]), origin), until.get((channel, pitch), 1 << 60)), on + 1)
            until[(channel, pitch)] = on
            velocity = int(events["velocity"][i])
            moments.append((on, 4, mido.Message("note_on", channel=channel, note=pitch, velocity=velocity)))
            moments.append((off, 2, mido.Message("note_off", channel=channel, note=pitch, velocity=64)))
            if channel in BEND_CHANNELS:
                moves = wheel_moves(float(events["bend_from"][i]), float(events["bend_to"][i]), float(lengths_s[i]))
                at_beats = tempo.beats_at([onsets_s[i] + at_s for at_s, _ in moves])
                for at, (_, wheel) in zip(at_beats.tolist(), moves, strict=True):
                    ticks = min(max(_ticks(at, origin), 0), off)
                    pitch_wheel = mido.Message("pitchwheel", channel=channel, pitch=wheel - WHEEL_CENTRE)
                    moments.append((ticks, 3, pitch_wheel))
        if part == "keys":
            for at, value in speaker_moves(score):
                switch = mido.Message("control_change", channel=CHANNELS["keys"], control=MODULATION, value=value)
                moments.append((_ticks(at, origin), 3, switch))
        file.tracks.append(_track(sorted(moments, key=lambda moment: moment[:2]), 0))
    with written_for_a_person(Path(path)) as handle:
        file.save(file=handle)
    return Path(path)

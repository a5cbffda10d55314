"""A take as it was heard: the band that played then, and the player's notes on the guide bass's part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from trainer.band import BAND_DTYPE, PARTS, BandScore, arrange
from trainer.band.sound import stem_renderer
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError
from trainer.music.general_midi import CHANNELS
from trainer.scoring.align import read_notes
from trainer.session import Chart, expand
from trainer.take import read_take
from trainer.take.rehearing import frames_at, recording_of
from trainer.take.sound_file import read_sound

__all__ = ["lay_bass", "take_and_band"]

PEAK = 0.5  # of the recorded bass in the mix: 6 dB under full scale; our choice
MOST_GAIN = 30.0
CHUNK_S = 1.0


def take_and_band(path: Path, count_in: bool) -> tuple[Chart, BandScore]:
    """The chart of a take, and its band with the player's notes in the place of the guide bass; the band alone where
    the bass itself was recorded (`lay_bass` puts it in).

    `UsageError` when the take does not say what was to be played.
    """
    take = read_take(path)
    if take.session is None:
        raise UsageError(
            f"{path}: it does not say what was to be played; put the session beside it as {path.stem}.toml"
        )
    chart = expand(take.session)
    levels = take.header.extra.get("intensities")  # of a band that listened
    band = arrange(chart, guide="off", count_in=count_in, intensity=levels)
    if recording_of(take, path) is not None:
        return chart, band
    notes = read_notes(take, chart).notes  # latency taken off: against the band as the player heard it
    notes = notes[(notes["pitch"] >= 0) & (notes["pitch"] < 127.5) & (notes["velocity"] > 0)]
    tempo = TempoMap(chart.tempo_segments)
    played = np.zeros(len(notes), dtype=BAND_DTYPE)
    played["onset_beats"] = tempo.beats_at(notes["onset_s"])
    played["duration_beats"] = (
        tempo.beats_at(notes["onset_s"] + np.maximum(notes["duration_s"], 0.05)) - played["onset_beats"]
    )
    played["pitch"] = np.rint(notes["pitch"])
    played["velocity"] = notes["velocity"]
    played["channel"] = CHANNELS["guide"]
    played["part"] = PARTS.index("guide")
    inside = (played["onset_beats"] >= band.first_beats) & (played["onset_beats"] < chart.end_beats)
    events = np.concatenate([band.events, played[inside]])
    order = np.lexsort((events["pitch"], events["part"], events["onset_beats"]))
    return chart, replace(band, events=events[order])


def lay_bass(path: Path, wav: Path, chart: Chart, band: BandScore) -> bool:
    """Mix a take's recording into the band's WAV file, each sample where it was played, latency taken off; whether
    there is one.
    """
    import soundfile

    take = read_take(path)
    recording = recording_of(take, path)
    if recording is None:
        return False
    sound = read_sound(recording)
    late_s = 0.0 if take.header.calibration is None else take.header.calibration.base_ms / 1000.0
    samples = np.asarray(sound.samples)
    peak = float(np.quantile(np.abs(samples), 0.9999)) if len(samples) else 0.0
    gain = min(PEAK / peak, MOST_GAIN) if peak > 0.0 else 0.0
    with soundfile.SoundFile(wav, "r+") as file:
        rate_hz = file.samplerate
        start_s = stem_renderer(band, TempoMap(chart.tempo_segments), rate_hz).start_s
        rows = np.arange(len(samples), dtype=np.float64)
        chunk = round(CHUNK_S * rate_hz)
        for first in range(0, file.frames, chunk):
            file.seek(first)
            block = file.read(chunk, dtype="float32", always_2d=True)
            seconds = start_s + (first + np.arange(len(block))) / rate_hz + late_s
            frames = frames_at(take, seconds)
            bass = np.interp(frames, rows, samples, left=0.0, right=0.0).astype(np.float32)
            file.seek(first)
            file.write(np.clip(block + gain * bass[:, None], -1.0, 1.0))
    return True

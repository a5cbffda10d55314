"""The colour of the whole band beside sampled sets that play the same notes: third-octave spectra.

    python tests/bench/colour_band.py [FONT.sf2 ...]

Outside judge: the band's own MIDI file, played by FluidSynth with each General MIDI SoundFont (the ones this machine
has, unless some are named); and with the program's own balance of such sounds. Both mixes are brought to one power;
what is printed is how many decibels the built-in sounds lie over the set, and what of each mix's loudness (ITU-R
BS.1770, `pyloudnorm`) a small loudspeaker leaves that plays nothing under 300 Hz.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import fluidsynth
import mido
import numpy as np
import pyloudnorm
from numpy.typing import NDArray
from scipy import signal

from trainer.band import arrange, render_midi
from trainer.band.sound import DEFAULT_GAINS, mix, stem_renderer
from trainer.clock import TempoMap
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.system import here

RATE_HZ = 48000
SETTINGS = (
    ("shuffle", "verse", 0.5),
    ("shuffle", "solo", 0.8),
    ("slow_twelve_eight", "verse", 0.5),
    ("straight", "solo", 0.8),
    ("two_beat", "verse", 0.6),
    ("rumba", "solo", 0.7),
)
CENTRES_HZ = 1000.0 * 2.0 ** (np.arange(-14, 13) / 3.0)  # third octaves, IEC 61260-1 base two
OCTAVE_2K = slice(int(np.argmin(np.abs(CENTRES_HZ - 1600.0))), int(np.argmin(np.abs(CENTRES_HZ - 2500.0))) + 1)

Sound = NDArray[np.float64]


def chart_of(groove: str, role: str, intensity: float) -> Chart:
    """One chorus with the guide bass: the whole band, as somebody first hears it."""
    return expand(Session(groove=groove, choruses=(ChorusPlan(role, 1, (intensity,)),), guide="on", count_in_bars=0))


def by_stems(chart: Chart, font: Path | None = None) -> Sound:
    """The mix as the program plays it, with its own sounds or a font's."""
    stems = stem_renderer(arrange(chart), TempoMap(chart.tempo_segments), RATE_HZ, soundfont=font)
    out = np.empty((stems.n_frames, 2), dtype=np.float32)
    mix(stems.block(0, stems.n_frames), DEFAULT_GAINS, out)
    return out.astype(np.float64)


def by_midi(chart: Chart, font: Path) -> Sound:
    """The band's MIDI file through FluidSynth, as any player of such files plays it."""
    with tempfile.TemporaryDirectory() as folder:
        file = mido.MidiFile(render_midi(chart, Path(folder) / "band.mid"))
    synth = fluidsynth.Synth(gain=0.4, samplerate=float(RATE_HZ))
    synth.sfload(str(font), update_midi_preset=1)
    synth.system_reset()
    pieces, due, done = [], 0.0, 0
    for message in file:
        due += message.time
        n = round(due * RATE_HZ) - done
        if n > 0:
            pieces.append(synth.get_samples(n).reshape(-1, 2))
            done += n
        if message.type == "note_on" and message.velocity:
            synth.noteon(message.channel, message.note, message.velocity)
        elif message.type in ("note_on", "note_off"):
            synth.noteoff(message.channel, message.note)
        elif message.type == "program_change" and message.channel != 9:
            synth.program_change(message.channel, message.program)
        elif message.type == "control_change":
            synth.cc(message.channel, message.control, message.value)
        elif message.type == "pitchwheel":
            synth.pitch_bend(message.channel, message.pitch)
    synth.delete()
    return np.concatenate(pieces).astype(np.float64) / 32768.0


def third_octaves_db(sound: Sound) -> NDArray[np.float64]:
    """Power in each third octave, decibels of the whole."""
    hz, power = signal.welch(sound.T, RATE_HZ, nperseg=16384)
    power = power.sum(axis=0)
    edges = 2.0 ** (1.0 / 6.0)
    bands = [power[(hz >= c / edges) & (hz < c * edges)].sum() for c in CENTRES_HZ]
    return 10.0 * np.log10(np.array(bands) / power.sum())


def small_loss_lu(sound: Sound) -> float:
    """How much quieter it is through a small loudspeaker."""
    meter = pyloudnorm.Meter(RATE_HZ)
    small = signal.sosfilt(signal.butter(4, 300.0, "highpass", fs=RATE_HZ, output="sos"), sound, axis=0)
    return float(meter.integrated_loudness(sound) - meter.integrated_loudness(small))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fonts", nargs="*", type=Path)
    fonts = parser.parse_args().fonts or here().soundfonts()
    apart: dict[str, list[NDArray[np.float64]]] = {}
    lost: dict[str, list[float]] = {}
    for groove, role, intensity in SETTINGS:
        chart = chart_of(groove, role, intensity)
        built_in = by_stems(chart)
        ours = third_octaves_db(built_in)
        lost.setdefault("built-in", []).append(small_loss_lu(built_in))
        for font in fonts:
            for way, sound in (("MIDI file", by_midi(chart, font)), ("balanced", by_stems(chart, font))):
                apart.setdefault(f"{font.stem}, {way}", []).append(ours - third_octaves_db(sound))
                lost.setdefault(f"{font.stem}, {way}", []).append(small_loss_lu(sound))
    print("built-in over the sampled set, decibels at equal power; median of", len(SETTINGS), "settings")
    print(f"{'Hz':28s}", " ".join(f"{c:5.0f}" for c in CENTRES_HZ))
    for name, rows in apart.items():
        print(f"{name:28s}", " ".join(f"{v:+5.1f}" for v in np.median(rows, axis=0)))
    print("octave round 2 kHz, setting by setting")
    for name, rows in apart.items():
        octave = np.array([row[OCTAVE_2K].mean() for row in rows])
        print(f"{name:28s}", " ".join(f"{v:+5.1f}" for v in octave), f"mean {octave.mean():+.1f}")
    print("lost through a small loudspeaker, LU, setting by setting")
    for name, losses in lost.items():
        print(f"{name:28s}", " ".join(f"{v:5.1f}" for v in losses), f"mean {np.mean(losses):.1f}")


if __name__ == "__main__":
    main()

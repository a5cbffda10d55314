"""Instrument sounds made from numpy alone: drums, bass, organ, electric piano, chopped guitar, lead guitar, voice.

Each function gives float32 mono (n,) or stereo (n, 2), about full scale at its loudest, starting with its attack at
frame 0 (so that a sound placed at a frame is heard at that frame). All tunings of decay, partials and noise are our
choice. Standard pitch: A4 = 440 Hz (ISO 16).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CONSONANTS",
    "MURMUR",
    "N_VOWELS",
    "Consonant",
    "Floats",
    "bass_tone",
    "chop_tone",
    "consonant_noise",
    "cymbal",
    "electric_piano_tone",
    "frequency_hz",
    "guitar_tone",
    "hat",
    "in_room",
    "kick",
    "normalised",
    "organ_loop",
    "presence_gain",
    "side_stick",
    "snare",
    "tom",
    "voice_loop",
    "with_presence",
]

Floats = NDArray[np.float32]
_TAU = 2.0 * np.pi


def frequency_hz(pitch: float) -> float:
    """Fundamental of a MIDI pitch, equal temperament, A4 = 440 Hz."""
    return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0))


def normalised(sound: NDArray[np.float64], peak: float = 1.0) -> Floats:
    """Scaled so that its loudest sample is `peak`."""
    top = float(np.abs(sound).max(initial=0.0))
    return (sound * (peak / top if top > 0.0 else 0.0)).astype(np.float32)


def _seconds(length_s: float, rate_hz: int) -> NDArray[np.float64]:
    return np.arange(int(length_s * rate_hz), dtype=np.float64) / rate_hz


def _noise(
    n: int, rate_hz: int, rng: np.random.Generator, low_hz: float, high_hz: float, tilt: float = 0.0
) -> NDArray[np.float64]:
    """Noise between two frequencies with soft edges; `tilt` in power of frequency (negative: darker). SD 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    freqs = np.fft.rfftfreq(n, 1.0 / rate_hz)
    freqs[0] = freqs[1] if freqs.size > 1 else 1.0
    shape = 1.0 / np.sqrt((1.0 + (low_hz / freqs) ** 6) * (1.0 + (freqs / high_hz) ** 6))
    out = np.fft.irfft(spectrum * shape * (freqs / low_hz) ** tilt, n)
    spread = float(out.std())
    return out / spread if spread > 0.0 else out


def _puff(
    n: int, rate_hz: int, rng: np.random.Generator, low_hz: float, high_hz: float, decay_s: float, tilt: float = 0.0
) -> NDArray[np.float64]:
    """A short burst of such noise that dies with `decay_s`, then silence: (n,)."""
    n_heard = min(n, max(int(12.0 * decay_s * rate_hz), 64))
    out = np.zeros(n)
    out[:n_heard] = _noise(n_heard, rate_hz, rng, low_hz, high_hz, tilt)
    out[:n_heard] *= np.exp(-np.arange(n_heard) / (decay_s * rate_hz))
    return out


def _modes(
    t: NDArray[np.float64],
    freqs_hz: NDArray[np.float64],
    amplitudes: NDArray[np.float64],
    decays_s: NDArray[np.float64],
    phases: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum of decaying sines at evenly spaced seconds `t` from 0: (n,).

    Each is a power z**n; n is split in rows and columns, so that all of them are two matrix products.
    """
    n = t.size
    if n < 2:
        return np.zeros(n)
    n_columns = 256
    rates = (-1.0 / decays_s + 1j * _TAU * freqs_hz) * float(t[1] - t[0])
    rows = np.exp(np.outer(np.arange(-(-n // n_columns)) * n_columns, rates)) * (amplitudes * np.exp(1j * phases))
    columns = np.exp(np.outer(rates, np.arange(n_columns)))
    out: NDArray[np.float64] = (rows.real @ columns.imag + rows.imag @ columns.real).ravel()[:n]
    return out


def _fade_out(sound: NDArray[np.float64], rate_hz: int, length_s: float = 0.02) -> NDArray[np.float64]:
    n = min(sound.shape[0], int(length_s * rate_hz))
    if n:
        sound[-n:] *= np.linspace(1.0, 0.0, n) ** 2
    return sound


# --- presence ---------------------------------------------------------------------------------------------------
#
# What is heard of a band from across a room, and all that a small loudspeaker gives: raised in each sound by as much as
# brings the whole band near to two sampled sets (`tests/bench/colour_band.py`).

_PRESENCE_Q = 0.75  # some two octaves; our choice


def presence_gain(
    freqs_hz: NDArray[np.float64], rate_hz: int, centre_hz: float, gain_db: float
) -> NDArray[np.complex128]:
    """What a peaking filter does at frequencies (n,): (n,) complex.

    Two poles and two zeros by the formulas of the W3C note "Audio EQ Cookbook"; minimum phase, so that a sound still
    begins with its attack.
    """
    amp = 10.0 ** (gain_db / 40.0)
    w = _TAU * min(centre_hz, 0.4 * rate_hz) / rate_hz
    alpha = np.sin(w) / (2.0 * _PRESENCE_Q)
    back = np.exp(-1j * _TAU * freqs_hz / rate_hz)  # one frame later
    above = (1.0 + alpha * amp) - 2.0 * np.cos(w) * back + (1.0 - alpha * amp) * back**2
    below = (1.0 + alpha / amp) - 2.0 * np.cos(w) * back + (1.0 - alpha / amp) * back**2
    out: NDArray[np.complex128] = above / below
    return out


def with_presence(sound: NDArray[np.float64], rate_hz: int, centre_hz: float, gain_db: float) -> NDArray[np.float64]:
    """A mono sound (n,) with its presence raised."""
    n = _fft_size(sound.size + rate_hz // 50)  # the filter has rung out after 20 ms
    freqs_hz = np.fft.rfftfreq(n, 1.0 / rate_hz).astype(np.float64)
    gain = presence_gain(freqs_hz, rate_hz, centre_hz, gain_db)
    return np.fft.irfft(np.fft.rfft(sound, n) * gain, n)[: sound.size]


# --- drums ------------------------------------------------------------------------------------------------------


def kick(rate_hz: int, force: float, rng: np.random.Generator) -> Floats:
    """Bass drum: a falling tone under a soft beater."""
    t = _seconds(0.42, rate_hz)
    base = 52.0 * (1.0 + 0.012 * rng.standard_normal())
    sweep = base + (70.0 + 60.0 * force) * np.exp(-t / 0.018) + 18.0 * np.exp(-t / 0.07)
    body = np.sin(_TAU * np.cumsum(sweep) / rate_hz + 0.35) * np.exp(-t / (0.052 + 0.012 * force))
    beater = _puff(t.size, rate_hz, rng, 200.0, 1800.0 + 2600.0 * force, 0.006, -0.4)
    knock = np.sin(_TAU * 180.0 * t) * np.exp(-t / 0.02)
    sound = body + (0.10 + 0.16 * force) * beater + 0.2 * knock
    return normalised(_fade_out(with_presence(sound, rate_hz, 1700.0, 4.0), rate_hz))


def snare(rate_hz: int, force: float, rng: np.random.Generator) -> Floats:
    """Snare drum: shell and head, and the wires."""
    t = _seconds(0.36, rate_hz)
    tune = 1.0 + 0.01 * rng.standard_normal()
    shell = 0.8 * np.sin(_TAU * 188.0 * tune * t + 0.4) * np.exp(-t / 0.055)
    shell += 0.5 * np.sin(_TAU * 331.0 * tune * t + 0.9) * np.exp(-t / 0.035)
    shell += _modes(
        t,
        np.array([506.0, 691.0, 934.0]) * tune,
        np.array([0.42, 0.34, 0.26]),
        np.array([0.03, 0.022, 0.018]),
        np.full(3, 1.1),
    )
    wires = _noise(t.size, rate_hz, rng, 900.0, 5200.0 + 4000.0 * force, -0.15)
    wires *= np.exp(-t / (0.05 + 0.035 * force))
    crack = _puff(t.size, rate_hz, rng, 900.0, 7000.0, 0.007)
    sound = shell + (0.16 + 0.10 * force) * wires + (0.10 + 0.22 * force) * crack
    return normalised(_fade_out(with_presence(sound, rate_hz, 1500.0, 3.0), rate_hz))


def side_stick(rate_hz: int, force: float, rng: np.random.Generator) -> Floats:
    """Stick across the rim."""
    t = _seconds(0.14, rate_hz)
    tune = 1.0 + 0.015 * rng.standard_normal()
    freqs = np.array([430.0, 870.0, 1130.0, 1710.0, 2580.0, 3900.0, 5600.0]) * tune
    amps = np.array([0.35, 0.8, 0.9, 0.8, 0.8, 0.7 + 0.3 * force, 0.5 + 0.4 * force])
    decays = np.array([0.024, 0.024, 0.020, 0.013, 0.010, 0.009, 0.007])
    sound = _modes(t, freqs, amps, decays, rng.uniform(0.6, 1.8, 7))
    sound += (1.2 + 0.8 * force) * _puff(t.size, rate_hz, rng, 1800.0, 11000.0, 0.005)
    return normalised(_fade_out(sound, rate_hz))


def tom(rate_hz: int, base_hz: float, force: float, rng: np.random.Generator) -> Floats:
    """Tom: a round tone that falls a little."""
    t = _seconds(0.6, rate_hz)
    base = base_hz * (1.0 + 0.008 * rng.standard_normal())
    sweep = base * (1.0 + (0.25 + 0.25 * force) * np.exp(-t / 0.03))
    body = np.sin(_TAU * np.cumsum(sweep) / rate_hz + 0.5) * np.exp(-t / 0.2)
    body += 0.3 * np.sin(_TAU * np.cumsum(sweep * 1.58) / rate_hz) * np.exp(-t / 0.1)
    for ratio, level, decay_s in ((2.14, 0.16, 0.08), (2.9, 0.10, 0.06), (4.2, 0.07, 0.04)):
        body += level * np.sin(_TAU * np.cumsum(sweep * ratio) / rate_hz + ratio) * np.exp(-t / decay_s)
    stick = _puff(t.size, rate_hz, rng, 400.0, 6000.0, 0.012)
    return normalised(_fade_out(body + (0.14 + 0.2 * force) * stick, rate_hz))


def hat(
    rate_hz: int,
    decay_s: float,
    force: float,
    rng: np.random.Generator,
    metal_rng: np.random.Generator,
    dull: bool = False,
) -> Floats:
    """Hi-hat: metal and air; `decay_s` short when closed, long when open, `dull` for the foot.

    `metal_rng` draws the plates (the same for every strike), `rng` the strike.
    """
    t = _seconds(min(0.9, 0.05 + 6.5 * decay_s), rate_hz)
    top = 7500.0 if dull else 9500.0 + 4500.0 * force
    air = _noise(t.size, rate_hz, rng, 3800.0 if dull else 5600.0, top)
    freqs = 4000.0 * np.sort(metal_rng.uniform(0.8, 2.9, 18))
    decays = decay_s * metal_rng.uniform(0.5, 1.2, 18)
    metal = _modes(t, freqs, rng.uniform(0.2, 1.0, 18), decays, rng.uniform(0, _TAU, 18))
    tick = _puff(t.size, rate_hz, rng, 2500.0, 9000.0, 0.0025)
    sound = 0.5 * air * np.exp(-t / decay_s) + 0.16 * metal + (0.35 + 0.5 * force) * tick
    return normalised(_fade_out(sound, rate_hz))


def cymbal(rate_hz: int, kind: str, force: float, rng: np.random.Generator, metal_rng: np.random.Generator) -> Floats:
    """Cymbals: "ride" (stick, then a wash), "bell" (clear tone), "crash" (broad, slow to die).

    `metal_rng` draws the plate (the same for every strike), `rng` the strike. A plate's modes come in pairs that a
    round plate would have at one frequency (Fletcher & Rossing, The Physics of Musical Instruments): they beat, so that
    no ring stands still; where the stick meets the plate is another place each time and rouses others of them.
    """
    length_s, n_modes, low_hz = {"ride": (1.7, 130, 480.0), "bell": (1.5, 24, 560.0), "crash": (2.6, 72, 300.0)}[kind]
    t = _seconds(length_s, rate_hz)
    freqs = low_hz * (11000.0 / low_hz) ** np.sort(metal_rng.uniform(0.0, 1.0, n_modes))
    decays = np.clip((0.9 if kind == "crash" else 0.7) * (900.0 / freqs) ** 0.35, 0.15, 1.1) * metal_rng.uniform(
        0.6, 1.2, n_modes
    )
    amps = rng.uniform(0.3, 1.0, n_modes) * (freqs / 2500.0) ** (0.2 if kind == "crash" else 0.45)
    if kind == "ride":
        freqs = low_hz + (11000.0 - low_hz) * ((freqs - low_hz) / (11000.0 - low_hz)) ** 0.75  # denser above
        apart = freqs * metal_rng.uniform(0.0006, 0.004, n_modes)  # of a pair: some hertz
        amps = rng.uniform(0.1, 1.0, n_modes) * (freqs / 2500.0) ** 0.3
        freqs, decays, amps = (np.tile(row, 2) for row in (freqs, decays, amps))
        freqs[n_modes:] += apart
        amps[n_modes:] *= rng.uniform(0.3, 1.0, n_modes)
        decays *= rng.uniform(0.75, 1.15)  # the stick rests on it for a moment more or less
    metal = _modes(t, freqs, amps, decays, rng.uniform(0, _TAU, freqs.size)) / np.sqrt(freqs.size)
    wash = _noise(t.size, rate_hz, rng, 2600.0, 11000.0 + 4000.0 * force, 0.15)
    if kind == "crash":
        rise = 1.0 - 0.6 * np.exp(-t / 0.015)
        burst = _puff(t.size, rate_hz, rng, 900.0, 9000.0, 0.03)
        sound = 0.9 * metal + 0.55 * rise * wash * np.exp(-t / (0.55 + 0.2 * force)) + 0.5 * burst
    else:
        ping = _puff(t.size, rate_hz, rng, 1800.0, 12000.0, 0.005)
        stick = _modes(
            t,
            np.array([2870.0, 3540.0, 4610.0, 5980.0]) * rng.uniform(0.96, 1.04, 4),
            np.array([0.5, 0.6, 0.5, 0.3]) * rng.uniform(0.5, 1.2, 4),
            np.array([0.05, 0.04, 0.03, 0.02]),
            rng.uniform(0, _TAU, 4),
        )
        # Most of the plate is still soon after the stick: strokes stand apart, and the bass is heard between them.
        metal *= 0.4 + 0.6 * np.exp(-t / 0.08) if kind == "ride" else 1.0
        sound = 0.34 * metal + (0.06 + 0.05 * force) * wash * np.exp(-t / 0.25) + 0.75 * ping + 0.5 * stick
        if kind == "bell":
            tones = np.array([812.0, 1240.0, 1893.0, 2611.0, 3730.0])
            sound += _modes(t, tones, np.array([0.9, 0.8, 0.7, 0.5, 0.3]), np.full(5, 0.45), np.full(5, 1.0))
    return normalised(_fade_out(sound, rate_hz, 0.25))


# --- pitched ----------------------------------------------------------------------------------------------------


def _string(
    t: NDArray[np.float64],
    f0: float,
    rate_hz: int,
    *,
    n_partials: int,
    pluck: float,
    tilt: float,
    decay_s: float,
    damping: float,
    stretch: float = 0.0,
) -> NDArray[np.float64]:
    """A plucked string as partials: plucked at `pluck` of its length, high partials dying sooner."""
    k = np.arange(1, n_partials + 1, dtype=np.float64)
    freqs = f0 * k * np.sqrt(1.0 + stretch * k * k)
    keep = freqs < 0.45 * rate_hz
    k, freqs = k[keep], freqs[keep]
    amps = np.abs(np.sin(np.pi * k * pluck)) / k**tilt + 1e-4
    decays = decay_s / (1.0 + damping * (k - 1.0))
    # Phases spread so that the sum starts at 0 and does not peak at once.
    phases = np.where(k % 2 == 0, np.pi, 0.0)
    return _modes(t, freqs, amps, decays, phases)


def bass_tone(rate_hz: int, pitch: float, force: float, round_attack: bool = True) -> Floats:
    """Bass guitar: round attack, fundamental strong; `force` 0–1 opens the tone.

    The partials from 300 to 1,200 Hz are strong enough to be heard where a small loudspeaker plays nothing below.
    """
    t = _seconds(2.2, rate_hz)
    f0 = frequency_hz(pitch)
    tone = _string(t, f0, rate_hz, n_partials=20, pluck=0.17, tilt=1.38 - 0.3 * force, decay_s=1.5, damping=0.11)
    rng = np.random.default_rng(round(pitch * 16))
    finger = _puff(t.size, rate_hz, rng, 150.0, 1200.0 + 1200.0 * force, 0.008)
    attack_s = 0.004 if round_attack else 0.0015
    sound = (tone + (0.05 + 0.07 * force) * finger) * (1.0 - np.exp(-t / attack_s))
    sound = with_presence(sound, rate_hz, 700.0, 6.0)
    sound = np.tanh(0.9 * sound / max(float(np.abs(sound).max()), 1e-9))
    return normalised(_fade_out(sound, rate_hz, 0.2))


_ORGAN_PEAK = 0.88  # the speaker's swell comes on top
# Harmonic of the written pitch and level: 8', 4', 2 2/3', 2', 1 3/5', 1 1/3', 1' (no 16': what is below is the bass's).
_DRAWBARS: tuple[tuple[float, float], ...] = (
    (1.0, 1.0), (2.0, 0.62), (3.0, 0.42), (4.0, 0.30), (5.0, 0.12), (6.0, 0.20), (8.0, 0.20),
)  # fmt: skip


def organ_loop(rate_hz: int, pitch: float) -> Floats:
    """A loop of a drawbar-like organ before its turning speaker (see `speaker`): mono, whole periods."""
    f0 = frequency_hz(pitch)
    n_periods = round(1.25 * f0)
    n = round(n_periods * rate_hz / f0)
    phase = _TAU * np.arange(n) / n
    out = np.zeros(n)
    for harmonic, level in _DRAWBARS:
        if harmonic * f0 <= 0.45 * rate_hz:
            # The golden angle: phases apart, no common peak.
            out += level * np.sin(harmonic * n_periods * phase + 2.399963 * harmonic)
    return normalised(np.tanh(0.33 * out), _ORGAN_PEAK)


def electric_piano_tone(rate_hz: int, pitch: float, force: float) -> Floats:
    """Electric-piano-like: a tine's tone, brighter when struck hard, with a short chime at the attack."""
    t = _seconds(1.7, rate_hz)
    f0 = frequency_hz(pitch)
    decay_s = 1.1 * (261.6 / f0) ** 0.4
    index = (0.35 + 1.1 * force) * np.exp(-t / (0.35 * decay_s)) + 0.12
    tone = np.sin(_TAU * f0 * t + index * np.sin(_TAU * f0 * t + 0.3)) * np.exp(-t / decay_s)
    chime_hz = min(f0 * 9.0, 0.4 * rate_hz)
    chime = np.sin(_TAU * chime_hz * t) * np.exp(-t / 0.06)
    sound = (tone + (0.03 + 0.07 * force) * chime) * (1.0 - np.exp(-t / 0.0012))
    return normalised(_fade_out(with_presence(sound, rate_hz, 1900.0, 5.0), rate_hz, 0.15))


def chop_tone(rate_hz: int, pitch: float, force: float) -> Floats:
    """A guitar string plucked and damped at once."""
    t = _seconds(0.34, rate_hz)
    f0 = frequency_hz(pitch)
    tone = _string(t, f0, rate_hz, n_partials=22, pluck=0.14, tilt=1.15 - 0.25 * force, decay_s=0.10, damping=0.08)
    rng = np.random.default_rng(round(pitch * 16) + 1)
    pick = _puff(t.size, rate_hz, rng, 1200.0, 6500.0, 0.003)
    sound = with_presence(tone + (0.1 + 0.15 * force) * pick, rate_hz, 1900.0, 3.0)
    return normalised(_fade_out(sound, rate_hz, 0.08))


def guitar_tone(rate_hz: int, pitch: float, force: float) -> Floats:
    """Lead guitar, lightly driven, with a vibrato that comes in on long notes."""
    t = _seconds(1.7, rate_hz)
    f0 = frequency_hz(pitch)
    depth = 0.0045 * np.clip((t - 0.28) / 0.3, 0.0, 1.0)
    warped = t + np.cumsum(depth * np.sin(_TAU * 5.4 * t)) / rate_hz
    tone = _string(t, f0, rate_hz, n_partials=12, pluck=0.18, tilt=1.15 - 0.3 * force, decay_s=1.3, damping=0.12)
    tone = with_presence(np.interp(warped, t, tone), rate_hz, 2200.0, 8.0)
    peak = max(float(np.abs(tone).max()), 1e-9)
    sound = np.tanh((1.6 + 1.6 * force) * tone / peak) * (1.0 - np.exp(-t / 0.0015))
    rng = np.random.default_rng(round(pitch * 16) + 2)
    pick = _puff(t.size, rate_hz, rng, 1000.0, 5000.0, 0.003)
    return normalised(_fade_out(sound + 0.08 * pick, rate_hz, 0.2))


# Three sung vowels, "ah", "oh" and "eh": formant centre and width in Hz, level. From memory, rounded.
_VOWELS = (
    ((660.0, 110.0, 1.0), (1120.0, 130.0, 0.55), (2550.0, 220.0, 0.16), (3300.0, 300.0, 0.08)),
    ((470.0, 90.0, 1.0), (860.0, 110.0, 0.5), (2450.0, 220.0, 0.10), (3200.0, 300.0, 0.06)),
    ((560.0, 100.0, 1.0), (1750.0, 180.0, 0.38), (2500.0, 220.0, 0.18), (3300.0, 300.0, 0.08)),
)
N_VOWELS = len(_VOWELS)
MURMUR = N_VOWELS  # as a further vowel: what is heard with the mouth shut, as in "m", "n", "l" and before "b" and "d"
_MURMUR = ((250.0, 70.0, 1.0), (1100.0, 150.0, 0.05), (2300.0, 250.0, 0.03))  # from memory, rounded
_VOICE_RMS = 0.52  # of full scale; our choice


def voice_loop(rate_hz: int, pitch: float, vowel: int = 0) -> Floats:
    """A loop of a sung vowel (0 to `N_VOWELS` − 1, or `MURMUR`) with vibrato, stereo (two sides slightly apart), whole
    periods and vibrato turns; the vowels equally strong."""
    f0 = frequency_hz(pitch)
    n_periods = round(1.1 * f0)
    n = round(n_periods * rate_hz / f0)
    phase = _TAU * np.arange(n) / n
    harmonics = np.arange(1, int(min(0.4 * rate_hz, 4500.0) / f0) + 1, dtype=np.float64)
    freqs = harmonics * f0
    levels = sum(level / (1.0 + ((freqs - centre) / width) ** 2) for centre, width, level in (*_VOWELS, _MURMUR)[vowel])
    levels = (levels + 0.02) / harmonics**0.7
    out = np.zeros((n, 2))
    for side, lead in ((0, 0.0), (1, 0.35)):
        bend = 0.010 * f0 * 1.1 / 6.0 * np.sin(6.0 * phase + lead)
        for harmonic, level in zip(harmonics, levels, strict=True):
            out[:, side] += level * np.sin(harmonic * (n_periods * phase + bend) + 2.399963 * harmonic)
        out[:, side] *= 1.0 + 0.05 * np.sin(6.0 * phase + lead)
    return (out * (_VOICE_RMS / float(np.sqrt((out**2).mean())))).astype(np.float32)


class Consonant(NamedTuple):
    """How a sung note begins: seconds of murmur before the vowel opens; noise between two frequencies in Hz, with its
    level beside the vowel's, how fast it rises and dies in seconds, and when it begins."""

    murmur_s: float
    low_hz: float = 0.0
    high_hz: float = 0.0
    level: float = 0.0
    rise_s: float = 0.001
    decay_s: float = 0.01
    at_s: float = 0.0


# "m", "t", "l", "s", "d", "b": durations and where their noise lies are from memory, rounded; levels are our choice.
CONSONANTS = (
    Consonant(0.090),
    Consonant(0.0, 2800.0, 6500.0, 0.50, 0.001, 0.014),
    Consonant(0.055),
    Consonant(0.0, 4200.0, 8500.0, 0.30, 0.030, 0.030),
    Consonant(0.035, 1500.0, 4500.0, 0.35, 0.001, 0.008, 0.025),
    Consonant(0.045, 300.0, 1600.0, 0.45, 0.001, 0.008, 0.035),
)


def consonant_noise(rate_hz: int, consonant: Consonant) -> Floats:
    """The noise of a consonant, from the note's onset on: mono (n,), `level` of full scale; (0,) where it has none."""
    if consonant.level == 0.0:
        return np.zeros(0, dtype=np.float32)
    t = _seconds(consonant.rise_s + 6.0 * consonant.decay_s, rate_hz)
    rng = np.random.default_rng(round(consonant.low_hz))
    high_hz = min(consonant.high_hz, 0.45 * rate_hz)
    noise = _noise(t.size, rate_hz, rng, min(consonant.low_hz, 0.5 * high_hz), high_hz)
    noise *= np.minimum(t / consonant.rise_s, 1.0) * np.exp(-np.maximum(t - consonant.rise_s, 0.0) / consonant.decay_s)
    before = np.zeros(int(consonant.at_s * rate_hz))
    return np.concatenate([before, normalised(_fade_out(noise, rate_hz, 0.01), consonant.level)]).astype(np.float32)


# --- place ------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _room(rate_hz: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Impulse responses (left, right) of a small room: the direct sound first, early reflections, a short tail."""
    rng = np.random.default_rng(20)  # one room for all
    n = int(0.34 * rate_hz)
    t = np.arange(n) / rate_hz
    sides = []
    for _ in range(2):
        tail = _noise(n, rate_hz, rng, 380.0, 4600.0, -0.15) * np.exp(-t / 0.07) * np.clip((t - 0.011) / 0.03, 0.0, 1.0)
        tail *= 0.34 / float(np.sqrt((tail**2).sum()))
        for delay_s in rng.uniform(0.006, 0.034, 6):
            tail[int(delay_s * rate_hz)] += 0.14 * rng.choice((-1.0, 1.0)) * np.exp(-delay_s / 0.02)
        sides.append(tail)
    return sides[0], sides[1]


def _fft_size(n: int) -> int:
    """The next size from n up that a Fourier transform is quick at."""
    step = 1 << max(0, (n - 1).bit_length() - 3)
    return -(-n // step) * step


@lru_cache(maxsize=16)
def _room_spectra(rate_hz: int, n: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    left, right = (np.fft.rfft(side, _fft_size(n)) for side in _room(rate_hz))
    return left, right


def in_room(sound: Floats, rate_hz: int, pan: float, wet: float) -> Floats:
    """Mono (n,) to stereo (m, 2): placed by constant power (`pan` −1 left … 1 right), with the room's answer behind it.

    The direct sound stays at frame 0.
    """
    angle = (pan + 1.0) * np.pi / 4.0
    left, right = float(np.cos(angle)), float(np.sin(angle))
    if wet <= 0.0:
        return np.stack([sound * left, sound * right], axis=1).astype(np.float32)
    n = sound.size + _room(rate_hz)[0].size - 1
    spectrum = np.fft.rfft(sound, _fft_size(n)) * wet
    out = np.stack([np.fft.irfft(spectrum * side, _fft_size(n))[:n] for side in _room_spectra(rate_hz, n)], axis=1)
    out[: sound.size, 0] += sound * left
    out[: sound.size, 1] += sound * right
    fade = min(n, int(0.03 * rate_hz))
    out[-fade:] *= np.linspace(1.0, 0.0, fade)[:, None]
    return out.astype(np.float32)

"""What the band sounds like: exact places, safe levels, agreement with outside meters and detectors.

Outside: `aubio` 0.4.9 (onsets; its command, where it is installed), `scipy` (an onset detector of another kind,
spectra, WAV reading), `pyloudnorm` (ITU-R BS.1770).
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
from scipy import signal
from scipy.io import wavfile

from trainer.band import BAND_DTYPE, PARTS, BandScore, arrange, render_wav
from trainer.band.sound import CEILING, DEFAULT_GAINS, Ducker, StemRenderer, limit, monitor_note, synth
from trainer.band.sound import bank as bank_module
from trainer.band.sound.speaker import FAST_HZ, SLOW_HZ, Speaker
from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.music import GROOVES
from trainer.session import BarSpan, Chart, ChorusPlan, Session, expand

RATE_HZ = 24000
ALL_GROOVES = sorted(GROOVES)


@pytest.fixture(scope="module", autouse=True)
def sounds(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A cache of the tests' own, made once."""
    folder = tmp_path_factory.mktemp("sounds")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bank_module, "cache_dir", lambda: folder)
        bank_module.instrument.cache_clear()
        yield folder
        bank_module.instrument.cache_clear()


def chart_of(*plans: ChorusPlan, **fields: Any) -> Chart:
    return expand(Session(choruses=plans or (ChorusPlan("verse", 1),), **fields))


def renderer(
    chart: Chart, score: BandScore | None = None, rate_hz: int = RATE_HZ, *, clicks: bool = False
) -> StemRenderer:
    score = arrange(chart) if score is None else score
    return StemRenderer(score, TempoMap(chart.tempo_segments), rate_hz, clicks=clicks)


def mix(stems: np.ndarray[Any, Any], gains: Any, out: np.ndarray[Any, Any]) -> None:
    """The parts by their gains and the limiter, without what takes a loud mix down."""
    np.einsum("p,pns->ns", np.asarray(gains, dtype=np.float32), stems, out=out)
    limit(out)


def mixed(stems: StemRenderer, n_frames: int | None = None) -> np.ndarray[Any, Any]:
    n = stems.n_frames if n_frames is None else n_frames
    out = np.empty((n, 2), dtype=np.float32)
    mix(stems.block(0, n), DEFAULT_GAINS, out)
    return out


# --- blocks ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_blocks_in_any_order_and_size_are_the_same_sound(groove: str) -> None:
    chart = chart_of(ChorusPlan("verse"), ChorusPlan("solo", 1, (0.9,)), groove=groove, guide="on", loop=(9, 12))
    stems = renderer(chart)
    whole = stems.block(0, stems.n_frames)
    assert whole.dtype == np.float32
    assert whole.shape == (len(PARTS), stems.n_frames, 2)
    rng = np.random.default_rng(3)
    again = renderer(chart)
    for size in (1, 257, 12000):
        for first in rng.integers(-size, stems.n_frames, 10):
            piece = again.block(int(first), size)
            low, high = max(int(first), 0), min(int(first) + size, stems.n_frames)
            want = np.zeros_like(piece)
            want[:, low - first : high - first] = whole[:, low:high]
            np.testing.assert_allclose(piece, want, atol=2e-6)
    assert not stems.block(stems.n_frames, 500).any()
    assert not stems.block(-500, 500).any()
    for idx, name in enumerate(PARTS):
        assert np.abs(whole[idx]).max() > 0.01, name


def test_frame_zero_is_the_start_of_the_count_in() -> None:
    chart = chart_of(tempo_bpm=100.0, count_in_bars=2)
    stems = renderer(chart)
    assert stems.start_s == pytest.approx(-8 * 0.6)
    count = stems.block(0, RATE_HZ)[PARTS.index("count")]
    assert int(np.argmax(np.abs(count).max(axis=1) > 1e-6)) <= 1
    assert stems.n_frames >= (8 + 48) * 0.6 * RATE_HZ


def test_an_empty_score_is_silence() -> None:
    score = replace(arrange(chart_of()), events=arrange(chart_of()).events[:0])
    stems = StemRenderer(score, TempoMap.constant(96.0), RATE_HZ)
    assert not stems.block(0, 1000).any()


def test_a_drop_out_is_silent_once_the_last_sounds_have_died() -> None:
    chart = chart_of(ChorusPlan("verse", 1, (0.5,)), tempo_bpm=60.0, drop_outs=(BarSpan(1, 5, 8),), guide="on")
    stems = renderer(chart)
    tempo = TempoMap(chart.tempo_segments)
    first = int((float(tempo.seconds_at(16.0)) - stems.start_s + 1.0) * RATE_HZ)
    last = int((float(tempo.seconds_at(32.0)) - stems.start_s - 0.02) * RATE_HZ)
    assert np.abs(stems.block(first, last - first)).max() < 1e-4


# --- time --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("groove", "rate_hz"), [*((groove, 48000) for groove in ALL_GROOVES), ("shuffle", 44100)])
def test_every_click_lies_within_one_sample_of_the_event_table(groove: str, rate_hz: int, tmp_path: Path) -> None:
    chart = chart_of(
        ChorusPlan("verse", 1, (0.5,)), ChorusPlan("solo", 1, (0.9,)), groove=groove, ending="ritard", tempo_bpm=117.3
    )
    score = arrange(chart)
    muted = {name: 0.0 for name in PARTS if name not in ("drums", "count")}
    path = render_wav(chart, tmp_path / "clicks.wav", gains=muted, sample_rate_hz=rate_hz, score=score, clicks=True)
    read_rate, frames = wavfile.read(path)
    assert read_rate == rate_hz
    tempo = TempoMap(chart.tempo_segments)
    struck = score.events[np.isin(score.events["part"], (0, 5))]
    # The table's own arithmetic, written out again here.
    intended = np.unique(np.round((tempo.seconds_at(struck["onset_beats"]) + struck["shift_s"] + 1e-12), 9))
    wanted = (intended - float(tempo.seconds_at(score.first_beats))) * rate_hz
    sound = frames[:, 0].astype(np.float64)
    # A click falls by half after its first sample and by a fifth at each after: a jump upwards is a click's beginning.
    found = np.flatnonzero(sound[1:] > sound[:-1] + 300) + 1
    found = np.concatenate(([0], found)) if sound[0] > 300 else found
    distance = np.abs(found[:, None] - wanted[None, :])
    assert distance.min(axis=1).max() <= 1.0  # every click is an event
    alone = np.concatenate(([True], np.diff(wanted) > 2.0))
    assert distance.min(axis=0)[alone].max() <= 1.0  # every event is a click
    assert found.size > 250


def hand_alone(role: str, tempo_bpm: float, ratio: float, rate_hz: int) -> tuple[Chart, BandScore, Any, float]:
    """Hats or ride alone, mono: chart, score of these strokes, sound, second of its first frame."""
    chart = chart_of(ChorusPlan(role, 1, (0.5,)), tempo_bpm=tempo_bpm, swing_ratio=ratio, count_in_bars=1, loop=(1, 7))
    score = arrange(chart)
    hand = (score.events["part"] == 0) & np.isin(score.events["pitch"], (42, 46) if role == "verse" else (51, 53))
    score = replace(score, events=score.events[hand])
    stems = renderer(chart, score, rate_hz)
    sound = stems.block(0, stems.n_frames)[0].mean(axis=1)
    return chart, score, (0.7 * sound / np.abs(sound).max()).astype(np.float32), stems.start_s


def offbeat_error_ms(chart: Chart, score: BandScore, found_s: np.ndarray[Any, Any]) -> tuple[float, float]:
    """How far the median off-beat lies from the chart's place, against the median on-beat; share of strokes found."""
    grid = TempoMap(chart.tempo_segments).seconds_at(score.events["onset_beats"])
    distance = found_s[None, :] - grid[:, None]
    nearest = distance[np.arange(grid.size), np.abs(distance).argmin(axis=1)]
    heard = np.abs(nearest) < 0.035
    phase = score.events["onset_beats"] % 1.0
    on = np.minimum(phase, 1.0 - phase) < 1e-9
    return 1000.0 * float(np.median(nearest[heard & ~on]) - np.median(nearest[heard & on])), float(heard.mean())


TEMPI_BPM = (60.0, 100.0, 140.0, 200.0)
RATIOS = (1.0, 1.5, 2.0, 3.0)


@pytest.mark.skipif(shutil.which("aubioonset") is None, reason="aubio's command is not installed here (aubio-tools)")
@pytest.mark.parametrize("role", ["verse", "solo"])
@pytest.mark.parametrize("tempo_bpm", TEMPI_BPM)
@pytest.mark.parametrize("ratio", RATIOS)
def test_offbeats_are_where_aubio_hears_them(role: str, tempo_bpm: float, ratio: float, tmp_path: Path) -> None:
    rate_hz, hop = 44100, 64  # 1.5 ms
    chart, score, sound, start_s = hand_alone(role, tempo_bpm, ratio, rate_hz)
    wavfile.write(tmp_path / "hand.wav", rate_hz, np.round(32767 * sound).astype("<i2"))
    options = ("-O", "hfc", "-B", "1024", "-H", str(hop), "-r", "0")
    said = subprocess.run(
        ["aubioonset", *options, "-i", str(tmp_path / "hand.wav")], capture_output=True, text=True, check=True
    )
    error_ms, share = offbeat_error_ms(chart, score, np.array(said.stdout.split(), dtype=np.float64) + start_s)
    assert share > 0.95
    assert abs(error_ms) <= 2.0


@pytest.mark.parametrize("role", ["verse", "solo"])
@pytest.mark.parametrize("tempo_bpm", TEMPI_BPM)
@pytest.mark.parametrize("ratio", RATIOS)
def test_offbeats_are_where_an_energy_detector_hears_them(role: str, tempo_bpm: float, ratio: float) -> None:
    rate_hz = 24000
    chart, score, sound, start_s = hand_alone(role, tempo_bpm, ratio, rate_hz)
    high = signal.sosfilt(signal.butter(4, 3000.0, "highpass", fs=rate_hz, output="sos"), sound)
    hop = 24  # 1 ms
    power = (high[: high.size // hop * hop].reshape(-1, hop) ** 2).sum(axis=1)
    log_power = np.log(power + 1e-4 * power.max())
    rise = log_power[4:] - np.maximum.reduce([log_power[k : log_power.size - 4 + k] for k in range(4)])
    peaks, _ = signal.find_peaks(rise, height=0.5, distance=40)
    error_ms, share = offbeat_error_ms(chart, score, (peaks + 4) * hop / rate_hz + start_s)
    assert share > 0.9
    assert abs(error_ms) <= 2.0


# --- level -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_no_sample_passes_full_scale_at_any_gain(groove: str) -> None:
    stems = renderer(chart_of(ChorusPlan("solo", 1, (1.0,)), groove=groove, guide="on", tempo_bpm=180.0))
    block = stems.block(0, stems.n_frames)
    out = np.empty((stems.n_frames, 2), dtype=np.float32)
    for gain in (1.0, 3.0, 30.0, 1e6):
        mix(block, [gain] * len(PARTS), out)
        assert np.abs(out).max() <= CEILING < 1.0
    mix(block, DEFAULT_GAINS, out)
    assert np.abs(out).max() < 0.9  # as it comes there is room for the player
    mix(block, [0.0] * len(PARTS), out)
    assert not out.any()


def test_the_limiter_leaves_quiet_sound_alone_and_survives_rubbish() -> None:
    quiet = np.linspace(-0.7, 0.7, 1000, dtype=np.float32).reshape(-1, 2)
    kept = quiet.copy()
    limit(kept)
    assert (kept == quiet).all()
    rubbish = np.array([[np.nan, np.inf], [-np.inf, 0.5]], dtype=np.float32)
    limit(rubbish)
    assert rubbish.tolist() == [[0.0, pytest.approx(CEILING)], [pytest.approx(-CEILING), 0.5]]
    rising = np.linspace(0.0, 5.0, 1000, dtype=np.float32).reshape(-1, 2)
    limit(rising)
    assert (np.diff(rising.ravel()) >= 0.0).all()


def ducked(stems: StemRenderer, gains: Any, n_frames: int) -> np.ndarray[Any, Any]:
    ducker = Ducker(stems.sample_rate_hz)
    out = np.empty((n_frames, 2), dtype=np.float32)
    for first in range(0, n_frames, 256):  # as the audio stream asks
        block = out[first : first + 256]
        ducker.mix(stems.block(first, block.shape[0]), gains, block)
    return out


def torn_db(sound: np.ndarray[Any, Any], clean: np.ndarray[Any, Any], n: int = 480) -> float:
    """What is left beside the clean sound at its best gain in each 20 ms, against all of it: decibels."""
    whole, beside = 0.0, 0.0
    for first in range(0, len(clean) - n, n):
        x, y = clean[first : first + n].ravel(), sound[first : first + n].ravel()
        gain = float(x @ y) / max(float(x @ x), 1e-12)
        whole += float(y @ y)
        beside += float(((y - gain * x) ** 2).sum())
    return 10.0 * np.log10(beside / whole)


def test_parts_turned_up_together_are_ducked_and_not_torn() -> None:
    rate_hz = 24000
    chart = chart_of(ChorusPlan("solo", 1, (0.9,)), tempo_bpm=120.0, loop=(1, 4), count_in_bars=1, guide="on")
    stems = renderer(chart, arrange(chart), rate_hz)
    n = stems.n_frames
    clean = np.einsum("pns->ns", stems.block(0, n))
    for boost in (4.0, 8.0, 16.0):
        gains = np.full(len(PARTS), boost)
        plain = np.empty((n, 2), dtype=np.float32)
        mix(stems.block(0, n), gains, plain)
        loud = ducked(stems, gains, n)
        assert np.abs(loud).max() <= CEILING
        assert torn_db(loud, clean) < torn_db(plain, clean) - 8.0
        assert torn_db(loud, clean) < -20.0
    # Nothing over the threshold: bit for bit the plain mix.
    quiet = np.full(len(PARTS), 0.5)
    plain = np.empty((n, 2), dtype=np.float32)
    mix(stems.block(0, n), quiet, plain)
    assert ducked(stems, quiet, n).tobytes() == plain.tobytes()


def test_the_ducker_comes_back_and_forgets_rubbish() -> None:
    rate_hz = 48000
    ducker = Ducker(rate_hz)
    out = np.empty((256, 2), dtype=np.float32)
    tone = np.full((1, 256, 2), 0.5, dtype=np.float32)
    ducker.mix(tone, [8.0], out)
    assert ducker.gain == pytest.approx(0.85 / 4.0)
    came_back = [ducker.gain]
    for _ in range(int(12 * rate_hz / 256)):
        ducker.mix(tone, [1.0], out)
        came_back.append(ducker.gain)
    assert came_back == sorted(came_back)
    assert came_back[int(0.2 * rate_hz / 256)] < 0.4  # not at once
    assert came_back[-1] == 1.0
    assert (out == 0.5).all()
    for rubbish in (np.nan, np.inf, 1e30):
        ducker.mix(np.full((1, 256, 2), rubbish, dtype=np.float32), [1.0], out)
        assert np.abs(out).max() <= 1.0
        assert ducker.gain == 1.0


@pytest.mark.parametrize("role", ["verse", "solo"])
def test_grooves_are_equally_loud_and_rise_with_intensity(role: str) -> None:
    # ITU-R BS.1770 by pyloudnorm. Seed and form differ from those that the trims were measured with.
    meter = pyloudnorm.Meter(RATE_HZ)
    usual_bpm = {"slow_twelve_eight": 66.0, "two_beat": 150.0}
    table = []
    for groove in ALL_GROOVES:
        row = []
        for level in (0.15, 0.5, 0.85):
            chart = chart_of(
                ChorusPlan(role, 1, (level,)),
                groove=groove,
                tempo_bpm=usual_bpm.get(groove, 110.0),
                swing_ratio=1.0 if GROOVES[groove].straight else 2.0,
                form="slow_change_12",
                count_in_bars=0,
                seed=9,
            )
            n = int(float(TempoMap(chart.tempo_segments).seconds_at(44.0)) * RATE_HZ)
            row.append(meter.integrated_loudness(mixed(renderer(chart), n).astype(np.float64)))
        table.append(row)
    lufs = np.array(table)
    assert np.abs(lufs - lufs.mean(axis=0)).max() <= 1.0
    assert (np.diff(lufs, axis=1) > 1.5).all()
    assert -32.0 < lufs.min() < lufs.max() < -16.0  # safe by default; our choice


@pytest.mark.parametrize("groove", ["shuffle", "slow_twelve_eight", "straight"])
def test_the_band_comes_down_from_a_solo_over_some_bars(groove: str) -> None:
    # ITU-R BS.1770 by pyloudnorm, bar by bar. Seed 2 has its loudest fills in the solo's last bar.
    meter = pyloudnorm.Meter(RATE_HZ)
    plans = ChorusPlan("solo", 1, (0.9,)), ChorusPlan("verse", 2, (0.35, 0.35))
    chart = chart_of(*plans, groove=groove, tempo_bpm=112.0, count_in_bars=0, seed=2)
    stems, tempo = renderer(chart), TempoMap(chart.tempo_segments)
    lufs = []
    for bar in chart.bars[9:16]:
        begin, end = (round(float(tempo.seconds_at(b)) * RATE_HZ) for b in (bar.onset_beats, bar.end_beats))
        out = np.empty((end - begin, 2), dtype=np.float32)
        mix(stems.block(begin, end - begin), DEFAULT_GAINS, out)
        lufs.append(meter.integrated_loudness(out.astype(np.float64)))
    steps = -np.diff(lufs)
    assert 0.5 < steps[2] < 3.5  # at the bar line: heard, and not a curtain
    assert steps[1:5].max() < 3.5
    assert lufs[0] - lufs[-1] > 5.0  # and all of it within five bars


def test_a_soft_and_a_hard_stroke_are_different_sounds_and_no_two_in_a_row_the_same() -> None:
    drums = bank_module.instrument("drums", RATE_HZ)
    for note in (36, 37, 38, 42, 51):
        soft, hard = drums[(note, 0, 0)].frames, drums[(note, 2, 0)].frames
        n = min(len(soft), len(hard))
        alike = np.corrcoef(soft[:n, 0].astype(float), hard[:n, 0].astype(float))[0, 1]
        assert alike < 0.995
        first, second = drums[(note, 1, 0)].frames, drums[(note, 1, 1)].frames
        assert first.shape != second.shape or (first != second).any()
    chart = chart_of(ChorusPlan("verse", 1, (0.5,)))
    score = arrange(chart)
    hats = score.events[score.events["pitch"] == 42][:2].copy()
    hats["onset_beats"], hats["shift_s"], hats["velocity"] = [0.0, 4.0], 0.0, 80
    stems = renderer(chart, replace(score, events=hats, start_beats=0.0))
    spacing = round(4.0 * 60.0 / 96.0 * RATE_HZ)
    one, two = stems.block(0, 2000)[0], stems.block(spacing, 2000)[0]
    assert np.abs(one - two).max() > 0.01


@pytest.mark.parametrize(("role", "level"), [("verse", 0.3), ("verse", 0.7), ("solo", 0.8)])
@pytest.mark.parametrize("groove", ["shuffle", "double_shuffle", "slow_twelve_eight", "two_beat", "straight"])
def test_the_backbeat_stands_out_of_the_whole_band(groove: str, role: str, level: float) -> None:
    """Between 1 and 5 kHz, in 50 ms from the beat on: 2 and 4 hold well more than 1 and 3 (voice and soloist out)."""
    chart = chart_of(ChorusPlan(role, 1, (level,)), groove=groove, count_in_bars=0, tempo_bpm=100.0, guide="on")
    stems = renderer(chart)
    gains = [0.0 if name == "lead" else 1.0 for name in PARTS]
    out = np.empty((stems.n_frames, 2), dtype=np.float32)
    mix(stems.block(0, stems.n_frames), gains, out)
    band = signal.sosfilt(signal.butter(4, (1000.0, 5000.0), "bandpass", fs=RATE_HZ, output="sos"), out.mean(axis=1))
    power = [
        float((band[round(beat * 0.6 * RATE_HZ) :][: int(0.05 * RATE_HZ)] ** 2).mean())
        for bar in range(11) if (bar + 1) % 4 for beat in range(4 * bar, 4 * bar + 4)
    ]  # fmt: skip
    one_three, two_four = np.median(power[0::2]), np.median(power[1::2])
    assert 10.0 * np.log10(two_four / one_three) > 4.0


def test_the_voice_sings_other_vowels_from_note_to_note_equally_strong() -> None:
    voice = bank_module.instrument("voice", RATE_HZ)
    for pitch in (60, 67, 74):
        sounds = [voice[(pitch, layer, 0)] for layer in range(3)]
        heard = [sound.frames.astype(float) * sound.scale for sound in sounds]
        harmonics = 440.0 * 2.0 ** ((pitch - 69.0) / 12.0) * np.arange(1, 3000 // 440 * 2)
        at = np.rint(harmonics * (1 << 16) / RATE_HZ).astype(int)
        levels = []
        for frames in heard:
            spectrum = np.abs(np.fft.rfft(frames[:, 0] * np.hanning(len(frames)), 1 << 16))
            levels.append([20.0 * np.log10(spectrum[k - 30 : k + 30].max()) for k in at])
        apart = [np.abs(np.subtract(one, two)).mean() for i, one in enumerate(levels) for two in levels[:i]]
        assert min(apart) > 2.0  # decibels, over the harmonics below 3 kHz or so
        rms = [np.sqrt((frames**2).mean()) for frames in heard]
        assert max(rms) / min(rms) < 1.06


def power_spectrum(sound: np.ndarray[Any, Any], rate_hz: int) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    hz, power = signal.periodogram(sound, rate_hz, "hann", nfft=1 << 17)
    return hz, power


def test_the_rides_ring_is_many_beating_partials_that_die_and_vary_from_stroke_to_stroke() -> None:
    """`scipy`'s periodogram of 0.15 to 0.75 s after each stroke: no partial is the note of it, the strongest lie at
    other places from stroke to stroke and in no series of whole multiples; it dies by 15 dB and more."""
    rate_hz = 24000
    ride = bank_module.instrument("drums", rate_hz)
    strongest = []
    for layer in range(3):
        for strike in range(5):
            sound = ride[(51, layer, strike)]
            mono = sound.frames.astype(float).mean(axis=1) * sound.scale
            hz, power = power_spectrum(mono[int(0.15 * rate_hz) : int(0.75 * rate_hz)], rate_hz)
            peaks, _ = signal.find_peaks(power, height=power.max() / 30.0, distance=20)
            assert len(peaks) >= 25
            top = peaks[power[peaks].argmax()]
            near = np.abs(hz - hz[top]) < 6.0
            assert power[near].sum() < 0.12 * power.sum()
            strongest.append(hz[top])
            low = np.sort(hz[peaks])[:12]
            fits = [np.abs(low / f0 - np.rint(low / f0)).mean() for f0 in low[:3]]
            assert min(fits) > 0.08  # of whole multiples it would be 0, by chance 0.25
            early, late = (np.sqrt((mono[int(a * rate_hz) :][: rate_hz // 10] ** 2).mean()) for a in (0.1, 0.9))
            assert 20.0 * np.log10(early / late) > 15.0
    assert len({round(hz / 20.0) for hz in strongest}) >= 8


def sung(n: int, rate_hz: int, bend_from: float = 0.0, pitch: int = 64) -> tuple[StemRenderer, int]:
    """`n` sung notes of one second, one after the other; frames from one to the next."""
    rows = np.zeros(n, dtype=BAND_DTYPE)
    rows["onset_beats"], rows["duration_beats"], rows["pitch"], rows["velocity"] = 2.0 * np.arange(n), 1.6, pitch, 90
    rows["part"], rows["channel"], rows["bend_from"] = PARTS.index("lead"), 3, bend_from
    score = BandScore(rows, {3: 53}, start_beats=0.0, end_beats=2.0 * n)
    return StemRenderer(score, TempoMap.constant(120.0), rate_hz), rate_hz


def test_sung_notes_begin_with_other_consonants() -> None:
    """Hissed or struck ones lie where no vowel has anything, in the first tenth of a second only; hummed ones begin
    darker than they go on."""
    rate_hz = 24000
    stems, every = sung(12, rate_hz)
    sound = stems.block(0, stems.n_frames)[PARTS.index("lead")].mean(axis=1)
    kinds = set()
    for i in range(12):
        note = sound[i * every :]
        early, late = note[: int(0.09 * rate_hz)], note[int(0.3 * rate_hz) : int(0.5 * rate_hz)]
        shares = []
        for piece in (early, late):
            hz, power = power_spectrum(piece, rate_hz)
            shares.append((power[hz > 5200.0].sum() / power.sum(), power[hz > 900.0].sum() / power.sum()))
        assert shares[1][0] < 1e-4  # the vowel has nothing up there
        noisy, dark = shares[0][0] > 30.0 * shares[1][0], shares[0][1] < 0.5 * shares[1][1]
        kinds.add((bool(noisy), bool(dark)))
    assert {(True, False), (False, True)} <= kinds


def test_a_sung_note_is_scooped_into_and_goes_on_where_the_loop_would_be() -> None:
    rate_hz = 24000
    straight, scooped = (sung(1, rate_hz, bend)[0] for bend in (0.0, -1.0))
    plain, bent = (s.block(0, s.n_frames)[PARTS.index("lead")] for s in (straight, scooped))
    np.testing.assert_allclose(bent[rate_hz // 4 :], plain[rate_hz // 4 :], atol=1e-6)
    hz = 440.0 * 2.0 ** ((64 - 69) / 12)
    first = bent[int(0.004 * rate_hz) : int(0.045 * rate_hz), 0]
    assert 12 * np.log2(heard_hz(first, rate_hz, hz * 2 ** (-1 / 12)) / hz) == pytest.approx(-1.0, abs=0.35)  # vibrato
    assert np.abs(np.diff(bent[:, 0])).max() < 2.0 * np.abs(np.diff(plain[:, 0])).max()  # no click where it arrives
    pieces = [scooped.block(at, 701)[PARTS.index("lead")] for at in range(0, rate_hz, 701)]
    np.testing.assert_allclose(np.concatenate(pieces)[:rate_hz], bent[:rate_hz], atol=2e-6)


# --- the player's own sound ------------------------------------------------------------------------------------


def heard_hz(sound: np.ndarray[Any, Any], rate_hz: int, near_hz: float) -> float:
    """Fundamental by autocorrelation, within a fourth of `near_hz`."""
    row = np.correlate(sound, sound, "full")[sound.size - 1 :]
    row = row / np.arange(sound.size, 0, -1)  # fewer products at longer lags
    low, high = int(rate_hz / near_hz / 1.3), int(rate_hz / near_hz * 1.3) + 2
    at = low + int(row[low:high].argmax())
    a, b, c = row[at - 1 : at + 2]
    return rate_hz / (at + 0.5 * (a - c) / (a - 2 * b + c))


@pytest.mark.parametrize(("bend_from", "bend_to"), [(-2.0, 0.0), (0.0, 0.5), (0.0, 0.0)])
def test_a_bent_note_is_heard_from_where_to_where_it_is_bent(bend_from: float, bend_to: float) -> None:
    rate_hz = 48000
    rows = np.zeros(1, dtype=BAND_DTYPE)
    rows["duration_beats"], rows["pitch"], rows["velocity"] = 2.0, 67, 90
    rows["part"], rows["channel"], rows["bend_from"], rows["bend_to"] = PARTS.index("lead"), 2, bend_from, bend_to
    score = BandScore(rows, {2: 26}, start_beats=0.0, end_beats=4.0)
    sound = StemRenderer(score, TempoMap.constant(120.0), rate_hz).block(0, rate_hz)[PARTS.index("lead")].sum(axis=1)
    hz = 440.0 * 2.0 ** ((67 - 69) / 12)
    early = heard_hz(sound[int(0.004 * rate_hz) : int(0.04 * rate_hz)], rate_hz, hz * 2.0 ** (bend_from / 12))
    late = heard_hz(sound[int(0.35 * rate_hz) : int(0.72 * rate_hz)], rate_hz, hz * 2.0 ** (bend_to / 12))
    assert 12 * np.log2(early / hz) == pytest.approx(bend_from, abs=0.15)
    assert 12 * np.log2(late / hz) == pytest.approx(bend_to, abs=0.06)


@pytest.mark.parametrize("pitch", [23.0, 28.0, 33.0, 38.0, 43.0, 43.5, 55.25, 67.0])
def test_the_monitor_sounds_the_pitch_it_is_asked_for(pitch: float) -> None:
    # ISO 16: A4 = 440 Hz; E1 41.203, A1 55.000, D2 73.416, G2 97.999, B0 30.868 Hz.
    note = monitor_note(pitch, 100, RATE_HZ)
    assert note.dtype == np.float32
    assert note.shape[1] == 2
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(note[:, 0] * np.hanning(len(note)), size))
    wanted = 440.0 * 2.0 ** ((pitch - 69.0) / 12.0)
    freqs = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    near = (freqs > wanted * 0.94) & (freqs < wanted * 1.06)
    found = freqs[near][np.argmax(spectrum[near])]
    assert 1200.0 * abs(np.log2(found / wanted)) < 4.0  # cents
    assert np.abs(note[: RATE_HZ // 20]).max() > 0.1  # sounds at once


def test_the_monitor_follows_velocity_and_remembers() -> None:
    tops = [float(np.abs(monitor_note(40.0, v, RATE_HZ)).max()) for v in (1, 40, 80, 127)]
    assert tops == sorted(tops)
    assert 0.0 < tops[0] < 0.25 * tops[-1] < 0.25
    assert monitor_note(40.0, 90, RATE_HZ) is monitor_note(40.0, 91, RATE_HZ)
    with pytest.raises(ValueError, match="read-only"):
        monitor_note(40.0, 90, RATE_HZ)[0, 0] = 1.0


# --- cache -------------------------------------------------------------------------------------------------------


def fresh(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bank_module, "cache_dir", lambda: folder)
    bank_module.instrument.cache_clear()


def test_sounds_are_kept_and_read_back_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh(tmp_path / "deep" / "cache", monkeypatch)
    made = bank_module.instrument("organ", 8000)
    files = list((tmp_path / "deep" / "cache").iterdir())
    assert [file.name.split("-")[0] for file in files] == ["organ"]
    bank_module.instrument.cache_clear()
    read = bank_module.instrument("organ", 8000)
    assert made.keys() == read.keys()
    assert all((made[key].frames == read[key].frames).all() and made[key].loops == read[key].loops for key in made)


@pytest.mark.parametrize("damage", ["cut", "empty", "magic", "index", "longer"])
def test_a_damaged_file_is_made_anew(damage: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh(tmp_path, monkeypatch)
    made = bank_module.instrument("voice", 8000)
    (file,) = tmp_path.iterdir()
    good = file.read_bytes()
    bad = {
        "cut": good[: len(good) // 2],
        "empty": b"",
        "magic": b"X" + good[1:],
        "index": good[:40] + b"9" + good[41:],
        "longer": good + b"\0\0",
    }[damage]
    file.write_bytes(bad)
    bank_module.instrument.cache_clear()
    again = bank_module.instrument("voice", 8000)
    assert all((made[key].frames == again[key].frames).all() for key in made)
    assert file.read_bytes() == good


def test_an_unwritable_cache_is_no_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = tmp_path / "a file, not a folder"
    blocked.write_text("here")
    fresh(blocked / "sounds", monkeypatch)
    assert len(bank_module.instrument("voice", 8000)) > 10
    assert blocked.read_text() == "here"


# --- WAV files ---------------------------------------------------------------------------------------------------


def test_a_wav_file_holds_the_band(tmp_path: Path) -> None:
    chart = chart_of(tempo_bpm=120.0, count_in_bars=1)
    path = render_wav(chart, tmp_path / "band.wav", sample_rate_hz=RATE_HZ)
    rate_hz, frames = wavfile.read(path)
    assert rate_hz == RATE_HZ
    assert frames.dtype == np.int16
    assert frames.shape[1] == 2
    assert frames.shape[0] / rate_hz >= 2.0 + 24.0
    assert 3000 < np.abs(frames.astype(int)).max() < 32767
    assert [file.name for file in tmp_path.iterdir()] == ["band.wav"]
    alone = render_wav(
        chart, tmp_path / "alone.wav", sample_rate_hz=RATE_HZ, gains={n: 0.0 for n in PARTS if n != "keys"}
    )
    _, keys = wavfile.read(alone)
    assert np.abs(keys[: 2 * RATE_HZ - 200].astype(int)).max() <= 2  # nothing but dither in the count-in


def test_a_wav_file_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"cannot write .*nowhere.*: No such file or directory; choose a folder"):
        render_wav(chart_of(), tmp_path / "nowhere" / "band.wav", sample_rate_hz=8000)
    with pytest.raises(UsageError, match=r'found the part "drum"; allowed: drums, .* did you mean "drums"'):
        render_wav(chart_of(), tmp_path / "band.wav", gains={"drum": 1.0})
    with pytest.raises(UsageError, match="found nan for drums"):
        render_wav(chart_of(), tmp_path / "band.wav", gains={"drums": float("nan")})
    with pytest.raises(UsageError, match="sample rate: found 10; allowed: 8000 to 192000 Hz"):
        render_wav(chart_of(), tmp_path / "band.wav", sample_rate_hz=10)
    assert list(tmp_path.iterdir()) == []


def test_an_organ_key_is_heard_going_down_and_the_speaker_turns_on() -> None:
    """The first 12 ms hold more of what lies above 6 kHz than what follows; two equal chords differ in their turn."""
    rate_hz = 24000
    rows = np.zeros(2, dtype=BAND_DTYPE)
    rows["onset_beats"], rows["duration_beats"] = (0.0, 3.0), 2.0
    rows["pitch"], rows["velocity"], rows["part"] = 67, 90, PARTS.index("keys")
    score = BandScore(rows, {0: 16}, start_beats=0.0, end_beats=8.0)
    sound = StemRenderer(score, TempoMap.constant(120.0), rate_hz).block(0, 3 * rate_hz)[PARTS.index("keys")]

    def above_6_khz(first_s: float) -> float:
        piece = sound[int(first_s * rate_hz) :][:240, 0] * np.hanning(240)
        power = np.abs(np.fft.rfft(piece)) ** 2
        return float(power[60:].sum() / power.sum())

    assert above_6_khz(0.001) > 20.0 * above_6_khz(0.1)
    assert above_6_khz(1.501) > 20.0 * above_6_khz(1.6)
    one, two = (sound[int(s * rate_hz) :][: int(0.5 * rate_hz)] for s in (0.2, 1.7))
    sides = [np.sqrt((x[:, 0] ** 2).mean() / (x[:, 1] ** 2).mean()) for x in (one, two)]
    assert abs(sides[0] / sides[1] - 1.0) > 0.02


def test_the_organs_speaker_runs_up_to_speed_in_about_a_second_and_down_again() -> None:
    """A key held for 12 s, the switch on fast from 4 to 8: the swell of one side, counted."""
    rate_hz = 12000
    rows = np.zeros(1, dtype=BAND_DTYPE)
    rows["duration_beats"], rows["pitch"], rows["velocity"], rows["part"] = 24.0, 67, 90, PARTS.index("keys")
    score = BandScore(rows, {0: 16}, start_beats=0.0, end_beats=24.0, fast_spans=((8.0, 16.0),))
    stems = StemRenderer(score, TempoMap.constant(120.0), rate_hz)
    sound = stems.block(0, 12 * rate_hz)[PARTS.index("keys")]
    pieces = [stems.block(first, 7001)[PARTS.index("keys")] for first in range(0, 12 * rate_hz, 7001)]
    np.testing.assert_array_equal(np.concatenate(pieces)[: 12 * rate_hz], sound)
    envelope = signal.sosfiltfilt(signal.butter(3, 15.0, fs=rate_hz, output="sos"), np.abs(sound[:, 0]))

    def turns_a_second(first_s: float, last_s: float) -> float:
        piece = envelope[int(first_s * rate_hz) : int(last_s * rate_hz)]
        power = np.abs(np.fft.rfft((piece - piece.mean()) * np.hanning(piece.size), 1 << 18)) ** 2
        return float(power.argmax()) * rate_hz / (1 << 18)

    assert turns_a_second(0.5, 4.0) == pytest.approx(0.8, abs=0.15)
    assert turns_a_second(5.2, 8.0) == pytest.approx(6.6, abs=0.2)
    assert 2.0 < turns_a_second(4.3, 4.8) < 5.5  # on its way
    assert 2.0 < turns_a_second(8.5, 9.0) < 5.5
    assert turns_a_second(9.8, 11.9) < 1.2


def test_the_speakers_angle_is_whole_however_often_it_is_switched() -> None:
    at_s = np.arange(0.0, 30.0, 0.001)
    for spans in ((), ((3.0, 3.2), (3.3, 9.0), (9.5, 20.0)), ((0.0, 30.0),)):
        speaker = Speaker(spans, 48000)
        hz = np.diff(speaker.turns(at_s)) / 0.001
        assert SLOW_HZ - 1e-6 <= hz.min() <= hz.max() <= FAST_HZ + 1e-6
        assert np.abs(np.diff(hz)).max() < 0.007  # no jump of speed: at most (6.6 - 0.8) a second
        assert speaker.turns(np.array([0.0])) == [0.0]


@pytest.mark.parametrize("pitch", [23, 28, 31, 36, 43])
@pytest.mark.parametrize("force", [0.1, 0.25, 0.85])
def test_the_bass_is_heard_on_small_loudspeakers(pitch: int, force: float) -> None:
    """A laptop's loudspeaker plays little under 300 Hz: from there to 1,200 Hz at least -26 dB of the whole note.

    Outside judge: `scipy.signal.welch`. Over the whole note and over its second half-second, when the attack is over.
    """
    note = np.asarray(synth.bass_tone(48_000, float(pitch), force), dtype=np.float64)
    for part in (note, note[24_000:48_000]):
        hz, power = signal.welch(part, 48_000, nperseg=8192)
        middle = power[(hz >= 300.0) & (hz <= 1200.0)].sum() / power.sum()
        assert 10.0 * np.log10(middle) >= -26.0

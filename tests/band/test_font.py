"""A SoundFont of the user's own. To be heard it needs FluidSynth, its Python wrapper and any General MIDI font; broken
files are refused without them."""

from __future__ import annotations

import importlib.util
import sys
from ctypes.util import find_library
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest

from tests.band.tiny_font import write_tiny_font
from trainer.band import BAND_DTYPE, PARTS, BandScore, arrange, render_wav
from trainer.band.sound import FontRenderer, StemRenderer, check_soundfont, stem_renderer, tried_soundfont
from trainer.band.sound import font as font_module
from trainer.clock import TempoMap
from trainer.engine.render import RouteRenderer, Work, _Renderer
from trainer.engine.ring import BLOCK_FRAMES, Geometry
from trainer.errors import FileFormatError, UsageError
from trainer.live.options import PlayOptions, setup_of
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.system import here

FONTS = [p for folder in ("sf3", "sf2") for p in sorted(Path("/usr/share/sounds", folder).glob("*.sf?"))]
HAS_FLUIDSYNTH = find_library("fluidsynth") is not None and importlib.util.find_spec("fluidsynth") is not None
needs_fluidsynth = pytest.mark.skipif(not HAS_FLUIDSYNTH, reason="FluidSynth is not installed here")
needs_font = pytest.mark.skipif(
    not FONTS or not HAS_FLUIDSYNTH,
    reason="FluidSynth or a General MIDI SoundFont is not installed here",
)


def chart() -> Chart:
    return expand(Session(choruses=(ChorusPlan("solo", 1, (0.8,)),), loop=(9, 12), guide="on", count_in_bars=1))


def listed(name: bytes) -> bytes:
    return b"LIST" + (4).to_bytes(4, "little") + name


def riff(size: int, body: bytes = b"") -> bytes:
    return b"RIFF" + size.to_bytes(4, "little") + b"sfbk" + body


def test_broken_files_are_refused_clearly(tmp_path: Path) -> None:
    for data, message in (
        (b"", "found no SoundFont"),
        (b"MThd" + bytes(20), "found no SoundFont"),
        (b"RIFF\x10\0\0\0WAVEfmt ", r"expected a \.sf2 or \.sf3 file"),
        (riff(204, b"LIST" + bytes(196)), "found no INFO, pdta, sdta part in it"),
        (riff(5000, bytes(90)), "found 102 of the 5008 bytes it says it has; get the whole file again"),
    ):
        file = tmp_path / "mine.sf2"
        file.write_bytes(data)
        with pytest.raises(FileFormatError, match=message):
            check_soundfont(file)
    with pytest.raises(UsageError, match="cannot read the SoundFont .*: No such file or directory; expected a"):  # noqa: RUF043
        check_soundfont(tmp_path / "none.sf2")
    with pytest.raises(UsageError, match="cannot read the SoundFont"):
        check_soundfont(tmp_path)


def test_a_font_of_two_gigabytes_is_refused_without_being_read(tmp_path: Path) -> None:
    file = tmp_path / "huge.sf2"
    with file.open("wb") as out:
        out.write(riff((1 << 31) - 8, listed(b"INFO") + listed(b"sdta") + listed(b"pdta")))
        out.truncate(1 << 31)  # a hole
    with pytest.raises(FileFormatError, match=r"found a SoundFont of 2\.1 GB; expected at most 1\.1 GB"):
        check_soundfont(file)


def test_without_fluidsynth_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "mine.sf2"
    file.write_bytes(riff(40, listed(b"INFO") + listed(b"sdta") + listed(b"pdta")))
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    song = chart()
    with pytest.raises(UsageError, match="needs FluidSynth, which is not here; install the extra"):
        stem_renderer(arrange(song), TempoMap(song.tempo_segments), 8000, soundfont=file)


@needs_fluidsynth
def test_a_font_with_nothing_inside_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "mine.sf2"
    file.write_bytes(riff(40, listed(b"INFO") + listed(b"sdta") + listed(b"pdta")))
    song = chart()
    with pytest.raises(FileFormatError, match="FluidSynth cannot load it"):
        FontRenderer(arrange(song), TempoMap(song.tempo_segments), 8000, file)


@needs_font
def test_a_soundfont_plays_the_parts_where_they_are(tmp_path: Path) -> None:
    song = chart()
    score, tempo = arrange(song), TempoMap(song.tempo_segments)
    rate_hz = 24000
    stems: Any = stem_renderer(score, tempo, rate_hz, soundfont=FONTS[0])
    whole = stems.block(0, stems.n_frames)
    assert whole.shape == (len(PARTS), stems.n_frames, 2)
    for idx, name in enumerate(PARTS):
        assert np.abs(whole[idx]).max() > 0.01, name
    assert np.abs(whole.sum(axis=0)).max() < 1.0
    # Count-in strokes begin where the table says, within FluidSynth's own step of 64 frames and a soft attack.
    count = np.abs(whole[PARTS.index("count")]).max(axis=1)
    for onset_s in score.onsets_s(tempo)[score.events["part"] == PARTS.index("count")]:
        frame = round((onset_s - stems.start_s) * rate_hz)
        heard = frame + int(np.argmax(count[frame : frame + 2400] > 0.1 * count[frame : frame + 2400].max()))
        assert 0 <= heard - frame <= 0.006 * rate_hz
    # Any other place: near to what was played in order (the room and the ring of long notes may differ a little).
    middle = stems.n_frames // 2
    again = stems.block(middle, 4800)
    difference = np.sqrt(np.mean((again - whole[:, middle : middle + 4800]) ** 2))
    assert difference < 0.1 * np.sqrt(np.mean(again**2))
    stems.close()
    path = render_wav(song, tmp_path / "font.wav", sample_rate_hz=rate_hz, soundfont=FONTS[0])
    assert path.stat().st_size > stems.n_frames * 4


@needs_font
@pytest.mark.parametrize("groove", ["shuffle", "slow_twelve_eight", "rumba"])
def test_a_general_midi_font_keeps_the_bands_balance(groove: str) -> None:
    """Each part within 4 LU of the built-in sounds (ITU-R BS.1770, `pyloudnorm`), whatever the set gives it."""
    rate_hz = 24000
    song = expand(Session(choruses=(ChorusPlan("solo", 1, (0.7,)),), groove=groove, loop=(5, 10), guide="on"))
    score, tempo = arrange(song), TempoMap(song.tempo_segments)
    built_in, font = StemRenderer(score, tempo, rate_hz), FontRenderer(score, tempo, rate_hz, FONTS[0])
    n = min(built_in.n_frames, font.n_frames)
    meter = pyloudnorm.Meter(rate_hz)
    for idx, name in enumerate(PARTS[:5]):
        heard = [meter.integrated_loudness(s.block(0, n)[idx].astype(np.float64)) for s in (built_in, font)]
        assert abs(heard[0] - heard[1]) < 4.0, name
    font.close()


@pytest.mark.parametrize(
    ("name", "program"),
    [("drums", 0), ("keys", 16), ("keys", 4), ("chop", 28), ("lead", 26), ("lead", 53), ("guide", 32), ("count", 0)],
)
def test_the_loudness_that_fonts_are_brought_to_is_the_built_in_sounds(name: str, program: int) -> None:
    rate_hz = 24000
    notes = font_module._TRIAL_NOTES[name]
    rows = np.zeros(len(notes), dtype=BAND_DTYPE)
    rows["onset_beats"], rows["pitch"], rows["velocity"] = (np.array(column) for column in zip(*notes, strict=True))
    rows["duration_beats"], rows["part"] = font_module._TRIAL_LENGTH_S.get(name, 0.45), PARTS.index(name)
    score = BandScore(rows, {0: program}, start_beats=0.0, end_beats=4.0)
    stems = StemRenderer(score, TempoMap.constant(60.0), rate_hz)
    sound = stems.block(0, int(font_module._TRIAL_SECONDS * rate_hz))[PARTS.index(name)].astype(np.float64)
    heard = font_module.loudness_lkfs(sound, rate_hz)
    wanted = font_module._BUILT_IN_LKFS.get(f"{name} {program}", font_module._BUILT_IN_LKFS[name])
    assert heard == pytest.approx(wanted, abs=0.6)


@pytest.mark.parametrize("rate_hz", [24000, 48000])
def test_loudness_agrees_with_another_meter(rate_hz: int) -> None:
    """`pyloudnorm`, on steady noise, where its gate takes nothing away."""
    noise = 0.1 * np.random.default_rng(0).standard_normal((2 * rate_hz, 2))
    there = pyloudnorm.Meter(rate_hz).integrated_loudness(noise)
    assert font_module.loudness_lkfs(noise, rate_hz) == pytest.approx(there, abs=0.15)
    assert font_module.loudness_lkfs(np.zeros((100, 2)), rate_hz) == -np.inf


@needs_fluidsynth
def test_a_font_is_tried_before_anything_sounds(tmp_path: Path) -> None:
    good = write_tiny_font(tmp_path / "good.sf2")
    assert tried_soundfont(good) == good.absolute()
    with pytest.raises(FileFormatError, match="no instrument in it gives a sound; expected a General MIDI"):
        tried_soundfont(write_tiny_font(tmp_path / "silent.sf2", level=0.0))
    with pytest.raises(FileFormatError, match="no drums are in it; expected a General MIDI"):
        tried_soundfont(write_tiny_font(tmp_path / "piano.sf2", drums=False))
    hollow = tmp_path / "hollow.sf2"
    hollow.write_bytes(riff(40, listed(b"INFO") + listed(b"sdta") + listed(b"pdta")))
    with pytest.raises(FileFormatError, match="FluidSynth cannot load it; expected a whole SoundFont"):
        tried_soundfont(hollow)
    whole = good.read_bytes()
    cut = tmp_path / "cut.sf2"
    cut.write_bytes(whole[:-100])
    with pytest.raises(FileFormatError, match="get the whole file again"):
        tried_soundfont(cut)


@needs_fluidsynth
def test_a_running_session_is_rendered_with_the_font_it_is_given(tmp_path: Path) -> None:
    """The engine's renderer fills its ring with what the font gives, not with the built-in sounds."""
    rate_hz = 24000
    session = Session(choruses=(ChorusPlan("solo", 1, (0.8,)),), loop=(9, 12), count_in_bars=1)
    setup = setup_of(session, PlayOptions(soundfont=write_tiny_font(tmp_path / "mine.sf2")))
    geometry = Geometry.for_rate(len(PARTS), rate_hz)
    address, _memory = here().make_shared(geometry.n_bytes)
    try:
        work = Work(address, geometry.n_parts, geometry.n_blocks, geometry.monitor_frames, rate_hz, setup.session,
                    None, None, False, setup.soundfont)  # fmt: skip
        renderer = _Renderer(work)
        assert isinstance(renderer._sound._stems, FontRenderer)
        song = expand(session)
        score, tempo = arrange(song), TempoMap(song.tempo_segments)
        expected = RouteRenderer(stem_renderer(score, tempo, rate_hz, soundfont=setup.soundfont), rate_hz)
        start_s = float(tempo.seconds_at(score.first_beats))
        for route in (renderer._sound, expected):
            route.set_route([(0.0, start_s, True)])
        renderer._route, renderer._next_block = 1, 0
        while renderer.step():
            pass
        n = min(renderer._next_block, geometry.n_blocks - 2) * BLOCK_FRAMES
        heard = np.array(renderer._ring.stems[:, :n])
        assert np.abs(heard).max() > 0.01
        np.testing.assert_allclose(heard, expected.block(0, n), atol=2e-3)  # FluidSynth dithers
    finally:
        here().forget_shared(address)


@needs_fluidsynth
def test_a_font_bends_too(tmp_path: Path) -> None:
    """The strongest frequency of one held note, early and late: two semitones apart."""
    rate_hz = 24000
    rows = np.zeros(1, dtype=BAND_DTYPE)
    rows["duration_beats"], rows["pitch"], rows["velocity"] = 2.0, 76, 110
    rows["part"], rows["channel"], rows["bend_from"] = PARTS.index("lead"), 2, -2.0
    font = FontRenderer(
        BandScore(rows, {2: 0}, start_beats=0.0, end_beats=4.0),
        TempoMap.constant(120.0),
        rate_hz,
        write_tiny_font(tmp_path / "tiny.sf2"),
    )
    sound = font.block(0, rate_hz)[PARTS.index("lead"), :, 0]
    font.close()
    peaks = []
    for first_s, last_s in ((0.0, 0.04), (0.3, 0.8)):
        piece = sound[int(first_s * rate_hz) : int(last_s * rate_hz)]
        peaks.append(int(np.abs(np.fft.rfft(piece * np.hanning(piece.size), 1 << 17)).argmax()))
    assert 12.0 * np.log2(peaks[1] / peaks[0]) == pytest.approx(2.0, abs=0.25)

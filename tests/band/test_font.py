"""A SoundFont of the user's own. To be heard it needs FluidSynth, its Python wrapper and any General MIDI font; broken
files are refused without them."""

from __future__ import annotations

import importlib.util
import sys
from ctypes.util import find_library
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trainer.band import PARTS, arrange, render_wav
from trainer.band.sound import FontRenderer, check_soundfont, stem_renderer
from trainer.clock import TempoMap
from trainer.errors import FileFormatError, UsageError
from trainer.session import Chart, ChorusPlan, Session, expand

FONTS = [p for folder in ("sf3", "sf2") for p in sorted(Path("/usr/share/sounds", folder).glob("*.sf?"))]
needs_font = pytest.mark.skipif(
    not FONTS or find_library("fluidsynth") is None or importlib.util.find_spec("fluidsynth") is None,
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


def test_without_fluidsynth_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "mine.sf2"
    file.write_bytes(riff(40, listed(b"INFO") + listed(b"sdta") + listed(b"pdta")))
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    song = chart()
    with pytest.raises(UsageError, match="needs FluidSynth, which is not here; install the extra"):
        stem_renderer(arrange(song), TempoMap(song.tempo_segments), 8000, soundfont=file)


@needs_font
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

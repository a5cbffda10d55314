"""Files that LilyPond made: its swing, its notes and its maps, read by us, share no code with the trainer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.lily import lily_midi, lily_score
from trainer.take import Take, read_take

LINE = "g,8 b, d e f e d b, c8 e g a bf a g e"
PITCHES = [43, 47, 50, 52, 53, 52, 50, 47, 48, 52, 55, 57, 58, 57, 55, 52]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lily")


@pytest.mark.parametrize(
    ("name", "swing", "ratio"),
    [("even", "", 1.0), ("triplet", r"\tripletFeel 8", 2.0), ("dotted", r"\applySwing 8 #'(3 1)", 3.0)],
)
@pytest.mark.parametrize("bpm", [72, 144])
def test_swing_of_known_ratio(place: Path, name: str, swing: str, ratio: float, bpm: int) -> None:
    """`\\tripletFeel 8` is 2:1 and `\\applySwing 8 #'(3 1)` 3:1 by LilyPond's manual; each pair within 0.01."""
    take = read_take(lily_score(LINE, place, f"{name}{bpm}", bpm=bpm, swing=swing))
    assert take.notes["pitch"].tolist() == PITCHES
    on, off = take.notes["onset_s"][0::2], take.notes["onset_s"][1::2]
    ratios = (off[:-1] - on[:-1]) / (on[1:] - off[:-1])
    assert ratios == pytest.approx(np.full(7, ratio), abs=0.01)
    assert np.allclose(on, np.arange(8) * 60.0 / bpm, atol=1e-4)
    assert np.allclose(take.tempo.beats_at(off), np.arange(8) + ratio / (1 + ratio), atol=2e-3)


def bass_of(place: Path, name: str, music: str) -> Take:
    return read_take(lily_score(music, place, name, bpm=120))


def test_a_bar_of_twelve_eight_has_four_beats(place: Path) -> None:
    take = bass_of(place, "twelve", r"\time 12/8 g,4 b,8 d4 e8 f4 e8 d4 b,8 \time 4/4 c4 e g a")
    beats = take.tempo.beats_at(take.notes["onset_s"])
    swung = [0, 2 / 3, 1, 1 + 2 / 3, 2, 2 + 2 / 3, 3, 3 + 2 / 3]
    assert beats.tolist() == pytest.approx([*swung, 4, 5, 6, 7], abs=1e-6)


def test_tempi_that_change_every_beat(place: Path) -> None:
    tempi = [60, 90, 120, 150, 180, 150, 120, 90]
    take = bass_of(place, "tempi", " ".join(rf"\tempo 4 = {bpm} g,4" for bpm in tempi))
    expected = np.concatenate(([0.0], np.cumsum([60.0 / bpm for bpm in tempi[:-1]])))
    assert take.notes["onset_s"].tolist() == pytest.approx(expected.tolist(), abs=1e-4)
    assert take.tempo.beats_at(take.notes["onset_s"]).tolist() == pytest.approx(list(range(8)), abs=1e-6)


def test_meters_key_and_tracks(place: Path) -> None:
    source = r"""\version "2.25.0"
\language "english"
\score {
  <<
    \new Staff = "horns" { \key bf \major \time 3/4 bf'4 d'' f'' \time 5/4 c''4 c'' c'' c'' c'' }
    \new Staff = "bass" { \clef bass \key bf \major bf,2. c4 c2 c2 }
    \new DrumStaff = "drums" \drummode { \time 3/4 cymr4 cymr cymr \time 5/4 cymr cymr cymr cymr cymr }
  >>
  \midi { \tempo 4 = 100 }
}
"""
    take = read_take(lily_midi(source, place, "tracks"))
    assert take.notes["pitch"].tolist() == [46, 48, 48, 48]
    assert take.tempo.beats_at(take.notes["onset_s"]).tolist() == pytest.approx([0, 3, 4, 6])
    facts = take.header.extra["midi"]
    assert [row[1:] for row in facts["meters"]] == [[3, 4], [5, 4]] and facts["meters"][1][0] == pytest.approx(3.0)
    assert {row[1] for row in facts["keys"]} == {"Bb"}
    assert facts["track"]["name"].startswith("bass")


def test_ties_rests_and_a_pick_up(place: Path) -> None:
    take = bass_of(place, "ties", r"\partial 4 d,8 fs, g,2~ g,4 r8 b,8")
    beats = take.tempo.beats_at(take.notes["onset_s"])
    ends = take.tempo.beats_at(take.notes["onset_s"] + take.notes["duration_s"])
    assert beats.tolist() == pytest.approx([0.0, 0.5, 1.0, 4.5]) and ends.tolist() == pytest.approx(
        [0.5, 1.0, 4.0, 5.0]
    )
    shifted = read_take(place / "ties.mid", downbeat=0.5)
    assert shifted.tempo.beats_at(shifted.notes["onset_s"]).tolist() == pytest.approx([-1.0, -0.5, 0.0, 3.5])

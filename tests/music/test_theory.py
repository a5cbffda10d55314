"""Chords, scales, forms, spelling. Outside checks: facts from general-purpose theory libraries, named beside them."""

from __future__ import annotations

import pytest

from trainer.errors import UsageError
from trainer.music import (
    FIVE_STRING,
    FORMS,
    FOUR_STRING,
    QUALITIES,
    SCALES,
    degree_name,
    form_bars,
    frettings,
    note_name,
    numeral_chord,
    parse_chord,
    parse_key,
    spell_pc,
)

# npm `tonal` 6.4.3: Chord.get("C" + quality).notes as pitch classes (values copied as facts).
TONAL_CHORDS = {
    "": (0, 4, 7), "m": (0, 3, 7), "7": (0, 4, 7, 10), "m7": (0, 3, 7, 10), "maj7": (0, 4, 7, 11),
    "6": (0, 4, 7, 9), "m6": (0, 3, 7, 9), "9": (0, 4, 7, 10, 2), "m9": (0, 3, 7, 10, 2),
    "13": (0, 4, 7, 10, 2, 9), "7#9": (0, 4, 7, 10, 3), "7b9": (0, 4, 7, 10, 1), "7#5": (0, 4, 8, 10),
    "7sus4": (0, 5, 7, 10), "sus4": (0, 5, 7), "dim": (0, 3, 6), "dim7": (0, 3, 6, 9),
    "m7b5": (0, 3, 6, 10), "aug": (0, 4, 8),
}  # fmt: skip
# npm `tonal` 6.4.3: Scale.get("C " + name).notes as pitch classes ("aeolian" is our natural minor).
TONAL_SCALES = {
    "major": (0, 2, 4, 5, 7, 9, 11), "mixolydian": (0, 2, 4, 5, 7, 9, 10), "dorian": (0, 2, 3, 5, 7, 9, 10),
    "natural_minor": (0, 2, 3, 5, 7, 8, 10), "major_pentatonic": (0, 2, 4, 7, 9),
    "minor_pentatonic": (0, 3, 5, 7, 10), "blues": (0, 3, 5, 6, 7, 10),
}  # fmt: skip
# npm `@musodojo/music-theory-data` 28.0.0 (CC0): chord progressions as (degree, bars), all dominant sevenths.
CC0_TWELVE_BARS = {
    "slow_change_12": [(1, 4), (4, 2), (1, 2), (5, 1), (4, 1), (1, 1), (5, 1)],
    "quick_change_12": [(1, 1), (4, 1), (1, 2), (4, 2), (1, 2), (5, 1), (4, 1), (1, 1), (5, 1)],
}
KEYS = [
    "C",
    "G",
    "D",
    "A",
    "E",
    "B",
    "F#",
    "F",
    "Bb",
    "Eb",
    "Ab",
    "Db",
    "Am",
    "Em",
    "Bm",
    "F#m",
    "Dm",
    "Gm",
    "Cm",
    "Fm",
]


def test_chord_tones_agree_with_tonal() -> None:
    assert QUALITIES == TONAL_CHORDS


def test_scales_agree_with_tonal() -> None:
    assert SCALES == TONAL_SCALES


@pytest.mark.parametrize("name", CC0_TWELVE_BARS)
@pytest.mark.parametrize("key_name", ["C", "G", "Bb", "E", "F#"])
def test_twelve_bars_agree_with_the_cc0_table(name: str, key_name: str) -> None:
    key = parse_key(key_name)
    degree_pc = {1: 0, 4: 5, 5: 7}
    expected = [degree_pc[d] for d, bars in CC0_TWELVE_BARS[name] for _ in range(bars)]
    bars = form_bars(FORMS[name], key)
    assert [(bar[0].root_pc - key.tonic_pc) % 12 for bar in bars] == expected
    assert all(len(bar) == 1 and bar[0].quality == "7" for bar in bars)


def test_quick_change_in_g_and_its_minor() -> None:
    # Benward & Saker 2003, p. 186, with the quick change in bar 2 and the turnaround on V in bar 12.
    names = [bar[0].name for bar in form_bars(FORMS["quick_change_12"], parse_key("G"))]
    assert names == ["G7", "C7", "G7", "G7", "C7", "C7", "G7", "G7", "D7", "C7", "G7", "D7"]
    names = [bar[0].name for bar in form_bars(FORMS["quick_change_12"], parse_key("Am"))]
    assert names == ["Am7", "Dm7", "Am7", "Am7", "Dm7", "Dm7", "Am7", "Am7", "E7", "Dm7", "Am7", "E7"]


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda f: f.name)
@pytest.mark.parametrize("key_name", KEYS)
def test_every_form_in_every_key_transposes_alike(form, key_name: str) -> None:
    key = parse_key(key_name)
    home = parse_key("Am" if key.minor else "C")
    shift = key.tonic_pc - home.tonic_pc
    for bar, home_bar in zip(form_bars(form, key), form_bars(form, home), strict=True):
        assert [c.quality for c in bar] == [c.quality for c in home_bar]
        assert [c.root_pc for c in bar] == [(c.root_pc + shift) % 12 for c in home_bar]
        assert [degree_name(c, key) for c in bar] == [degree_name(c, home) for c in home_bar]
        for chord in bar:
            assert parse_chord(chord.name) == chord
            assert len(chord.root) <= 2


def test_spelling_as_players_write_it() -> None:
    assert [spell_pc(pc, parse_key("G")) for pc in (7, 10, 0, 1, 5)] == ["G", "Bb", "C", "C#", "F"]
    assert [spell_pc(pc, parse_key("F")) for pc in (5, 8, 10, 3)] == ["F", "Ab", "Bb", "Eb"]
    assert [spell_pc(pc, parse_key("E")) for pc in (4, 7, 10, 2)] == ["E", "G", "A#", "D"]
    assert spell_pc(8, parse_key("Cm")) == "Ab"
    assert spell_pc(11, parse_key("Eb")) == "B"  # not Cb


def test_degrees() -> None:
    key = parse_key("G")
    assert degree_name(parse_chord("C7"), key) == "IV"
    assert degree_name(parse_chord("Am7"), key) == "ii"
    assert degree_name(parse_chord("C#dim7"), key) == "#iv°"
    assert degree_name(parse_chord("Bbmaj7"), key) == "bIII"
    assert degree_name(parse_chord("Am7b5"), key) == "iiø"
    assert numeral_chord("#iv°7", key).name == "C#dim7"


def test_open_strings_and_places() -> None:
    # Standard tuning E1 A1 D2 G2 = MIDI 28 33 38 43, low B 23.
    assert [note_name(p) for p in FOUR_STRING.open_pitches] == ["E1", "A1", "D2", "G2"]
    assert note_name(FIVE_STRING.lowest) == "B0"
    assert frettings(38) == ((4, 10), (3, 5), (2, 0))
    assert frettings(27) == ()


@pytest.mark.parametrize("text", ["", "H", "G##m", "major", "g7", "Gmm"])
def test_wrong_keys_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"is not a key|no key signature"):
        parse_key(text)


def test_key_without_signature_names_the_usual_one() -> None:
    with pytest.raises(UsageError, match='usual name is "Ab"'):
        parse_key("G#")


def test_wrong_chord_says_what_is_known() -> None:
    with pytest.raises(UsageError, match=r'quality "maj9999".*known: .*m7b5'):
        parse_chord("Cmaj9999")

"""Theory held against programs that know nothing of us: PyPI `music21` for chords, scales and numerals in all keys, and
the tables that the engraver LilyPond itself loads for the tuning of a bass."""

from __future__ import annotations

import re
from pathlib import Path

import lilypond
import pytest
from music21 import chord as m21_chord
from music21 import harmony, key, pitch, roman, scale

from trainer.music import (
    FIVE_STRING,
    FORMS,
    FOUR_STRING,
    QUALITIES,
    SCALES,
    form_bars,
    numeral_chord,
    parse_chord,
    parse_key,
)

ROOTS = ("C", "C#", "Db", "D", "Eb", "E", "F", "F#", "Gb", "G", "Ab", "A", "Bb", "B")
# Our quality → how `music21` 10 names the kind of chord (MusicXML's names).
KINDS = {
    "": "major", "m": "minor", "7": "dominant-seventh", "m7": "minor-seventh", "maj7": "major-seventh",
    "6": "major-sixth", "m6": "minor-sixth", "9": "dominant-ninth", "m9": "minor-ninth", "13": "dominant-13th",
    "7#5": "augmented-seventh", "sus4": "suspended-fourth", "dim": "diminished", "dim7": "diminished-seventh",
    "m7b5": "half-diminished-seventh", "aug": "augmented",
}  # fmt: skip


def outside_name(root: str) -> str:
    return root.replace("b", "-")  # `music21` writes flats so


@pytest.mark.parametrize("root", ROOTS)
def test_chord_tones_agree_with_music21_on_every_root(root: str) -> None:
    for quality, kind in KINDS.items():
        judged = harmony.ChordSymbol(root=outside_name(root), kind=kind)
        tones = {tone.pitchClass for tone in judged.pitches}
        ours = parse_chord(root + quality)
        if quality == "13":  # written with its eleventh there, which nobody plays over a third (common practice)
            tones -= {(ours.root_pc + 5) % 12}
        assert set(ours.pcs) == tones, (root, quality)
        assert ours.root_pc == judged.root().pitchClass
    for quality in sorted(set(QUALITIES) - set(KINDS)):  # no kind of their own: built from its intervals
        ours = parse_chord(root + quality)
        steps = {"7#9": ("M3", "P5", "m7", "A2"), "7b9": ("M3", "P5", "m7", "m2"), "7sus4": ("P4", "P5", "m7")}[quality]
        base = pitch.Pitch(outside_name(root))
        assert set(ours.pcs) == {base.pitchClass} | {base.transpose(step).pitchClass for step in steps}


def test_sevenths_and_thirds_are_where_music21_finds_them() -> None:
    for quality in ("7", "m7", "maj7", "m7b5", "dim7"):
        ours = parse_chord("E" + quality)
        judged = m21_chord.Chord([64 + step for step in ours.intervals])
        judged.root(pitch.Pitch("E4"))
        assert ours.third == (judged.third.pitchClass - 4) % 12
        assert ours.fifth == (judged.fifth.pitchClass - 4) % 12


@pytest.mark.parametrize("root", ROOTS)
def test_scales_agree_with_music21_on_every_root(root: str) -> None:
    made = {
        "major": scale.MajorScale, "mixolydian": scale.MixolydianScale, "dorian": scale.DorianScale,
        "natural_minor": scale.MinorScale,
    }  # fmt: skip
    tonic = pitch.Pitch(outside_name(root))
    for name, kind in made.items():
        outside = [(p.pitchClass - tonic.pitchClass) % 12 for p in kind(tonic).getPitches()][:-1]
        assert list(SCALES[name]) == outside
    # The pentatonics are five degrees of these (Persichetti; from memory), the blues scale one more.
    major, minor = ([p.pitchClass for p in kind(tonic).getPitches()] for kind in (scale.MajorScale, scale.MinorScale))

    def above(pcs: list[int]) -> list[int]:
        return [(pc - tonic.pitchClass) % 12 for pc in pcs]

    assert list(SCALES["major_pentatonic"]) == above([major[i] for i in (0, 1, 2, 4, 5)])
    assert list(SCALES["minor_pentatonic"]) == above([minor[i] for i in (0, 2, 3, 4, 6)])
    blue = tonic.transpose("d5").pitchClass
    assert list(SCALES["blues"]) == above([minor[0], minor[2], minor[3], blue, minor[4], minor[6]])


@pytest.mark.parametrize("root", ROOTS)
@pytest.mark.parametrize("minor", [False, True])
def test_numerals_name_the_roots_that_music21_names(root: str, minor: bool) -> None:
    if minor and root in ("Db", "Gb"):
        return  # no such keys in use: C#m, F#m
    ours = parse_key(root + ("m" if minor else ""))
    theirs = key.Key(outside_name(root))  # degrees of the parallel major, as players count
    numerals = {n for form in FORMS.values() for bar in (form.minor if minor else form.major) for n in bar.split()}
    assert len(numerals) >= 5
    for numeral in numerals:
        bare = re.match(r"[b#]?[ivIV]+", numeral)
        assert bare is not None
        judged = roman.RomanNumeral(bare[0], theirs)
        assert numeral_chord(numeral, ours).root_pc == judged.root().pitchClass, numeral


def test_forms_are_spelled_in_every_key_as_music21_spells_the_pitch() -> None:
    for root in ROOTS:
        for form in FORMS.values():
            for bar in form_bars(form, parse_key(root)):
                for chord in bar:
                    assert pitch.Pitch(outside_name(chord.root)).pitchClass == chord.root_pc


def test_the_tunings_are_lilyponds_own() -> None:
    """Read from the tables that LilyPond loads (`ly/string-tunings-init.ly` of the installed wheel)."""
    (table,) = Path(lilypond.executable()).parents[1].glob("share/lilypond/*/ly/string-tunings-init.ly")
    text = table.read_text(encoding="utf-8")
    steps = dict(zip("cdefgab", (0, 2, 4, 5, 7, 9, 11), strict=True))

    def midi(name: str) -> int:  # LilyPond: c is C3, MIDI 48; a comma an octave down
        return 48 + steps[name[0]] + 12 * (name.count("'") - name.count(","))

    for tuning, name in ((FOUR_STRING, "bass-tuning"), (FIVE_STRING, "bass-five-string-tuning")):
        found = re.search(rf"#'{name} \\stringTuning <([^>]+)>", text)
        assert found is not None
        assert list(tuning.open_pitches) in (
            [midi(n) for n in found[1].split()],
            [midi(n) for n in found[1].split()][::-1],
        )

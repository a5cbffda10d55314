"""Pitch names and spelling, keys, chords, scales, forms, and the bass fingerboard. Pure."""

from trainer.music.chords import QUALITIES, SCALES, Chord, degree_name, numeral_chord, parse_chord
from trainer.music.fingerboard import FIVE_STRING, FOUR_STRING, SIX_STRING, Tuning, frettings, parse_tuning
from trainer.music.forms import FORMS, TURNAROUNDS, Form, chart_bars, form_bars
from trainer.music.grooves import DEFAULT_GROOVE, GROOVES, Groove
from trainer.music.pitch import Key, note_name, parse_key, spell_pc

__all__ = [
    "DEFAULT_GROOVE",
    "FIVE_STRING",
    "FORMS",
    "FOUR_STRING",
    "GROOVES",
    "QUALITIES",
    "SCALES",
    "SIX_STRING",
    "TURNAROUNDS",
    "Chord",
    "Form",
    "Groove",
    "Key",
    "Tuning",
    "chart_bars",
    "degree_name",
    "form_bars",
    "frettings",
    "note_name",
    "numeral_chord",
    "parse_chord",
    "parse_key",
    "parse_tuning",
    "spell_pc",
]

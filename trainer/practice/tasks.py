"""What each drill asks for in five words at most, for a screen that is read over the strings."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["TASKS", "task_of"]

TASKS: Mapping[str, str] = {
    "roots": "every change on its root",
    "change_one_four": "I to IV, on one",
    "change_four_one": "IV to I, on one",
    "change_five_four": "V to IV, on one",
    "change_turnaround": "V to I, on one",
    "shuffle_one_note": "every short note as short",
    "shuffle_two_strings": "even across two strings",
    "shuffle_through_the_form": "even while the chords move",
    "triplets_against_the_shuffle": "three even, then long, short",
    "drop_out_1_of_4": "carry the time one bar",
    "drop_out_2_of_4": "carry the time two bars",
    "drop_out_4_of_8": "carry the time four bars",
    "root_shuffle": "roots in shuffle eighths",
    "pentatonic_riff": "the riff, moved each chord",
    "walking_line": "walk quarters, root to root",
    "chromatic_approach": "semitones into the next root",
    "scale_descent": "down the scale, land it",
    "triplet_figure": "a triplet beat, in time",
    "octave_shift": "root and octave, clean",
    "pedal": "hold one note, then release",
    "turnaround_figure": "walk the last two bars",
    "doubled_notes": "walk, every note twice",
    "box_figure": "one, five, seven, octave",
    "boogie_figure": "up to seven, and down",
    "push": "the root an off-beat early",
    "slide_in": "slide in from just below",
    "pin_the_verse": "one rhythm, chord notes",
    "open_by_density": "solo: more notes",
    "open_by_height": "solo: a string higher",
    "open_by_both": "solo: busier and higher",
    "arc_over_two_choruses": "up one chorus, down one",
    "repeated_notes": "keep going, keep it even",
}


def task_of(drill: str) -> str:
    """The task of a drill by name; of a studied phrase, which has none of its own, to play it as it was heard."""
    return TASKS.get(drill, "the phrase, as you heard")

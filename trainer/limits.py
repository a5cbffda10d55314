"""How large a piece of music may be: one limit for each thing counted, far above any music; all are our choice.

What is beyond a limit is refused in one line. Whatever is within all of them is read and judged in seconds and in 300
megabytes; a file judged by a session beyond `SONG_BARS`, in 500 and in proportion to what was played.
"""

from __future__ import annotations

__all__ = [
    "CHORDS_A_BAR",
    "CHORUSES",
    "CLOCK_TEMPO_BPM",
    "COMMON_DIVISIONS",
    "CUES",
    "DIVISIONS",
    "FONT_BYTES",
    "FORM_BARS",
    "NOTES",
    "PAPER_BARS",
    "PLAYED_CHORUSES",
    "PROBLEMS",
    "SCORED_BARS",
    "SCORED_CHORUSES",
    "SONG_BARS",
    "SPANS",
    "TEMPO_BPM",
    "XML_PARTS",
    "XML_RUN_BYTES",
    "has_far_number",
    "playable_bpm",
    "whole_number",
]

PLAYED_CHORUSES = 400  # asked for by a number alone
CHORUSES = 1_000  # of one song, or of a loop gone round
FORM_BARS = 64  # of one chorus
CHORDS_A_BAR = 4
SONG_BARS = 4_800  # choruses times bars: 400 choruses of twelve, over an hour at the fastest
SCORED_CHORUSES = 10_000  # of a session that a file is only judged by: more than a day's file holds
SCORED_BARS = 120_000  # … choruses times bars; memory and time grow with what was played
PAPER_BARS = 1_500  # of what is drawn or engraved: 125 choruses of twelve
TEMPO_BPM = (40.0, 240.0)  # quarter notes a minute: what the band plays
CLOCK_TEMPO_BPM = (20.0, 400.0)  # … and what is believed of a clock that leads
SPANS = 1_000  # drop-outs of a session, and pedals
CUES = 20_000  # texts, names and markers of a MIDI file
NOTES = 100_000  # of a written part: a day of sixteenths is less
DIVISIONS = 1_000_000  # of a quarter in notation; programs write up to some ten thousand
COMMON_DIVISIONS = 10**12  # of a quarter, in which all divisions of a document are whole
XML_PARTS = 1_000_000  # elements and attributes of a document
XML_RUN_BYTES = 100_000  # from one "<" to the next: a tag, or a text
FONT_BYTES = 1 << 30  # of a SoundFont: whole General MIDI sets have 6 to 600 MB
PROBLEMS = 20  # mistakes of one file that are listed
WHOLE_BITS = 64  # of a whole number in TOML (its standard) and in our JSON


def playable_bpm(tempo_bpm: float) -> float:
    """The tempo nearest to this one that the band plays."""
    low, high = TEMPO_BPM
    return min(max(tempo_bpm, low), high)


def has_far_number(data: object) -> bool:
    """Whether plain data from a file holds a whole number of more than 64 bits: no arithmetic after it would hold."""
    waiting = [data]
    while waiting:
        item = waiting.pop()
        if isinstance(item, int) and item.bit_length() > WHOLE_BITS:
            return True
        if isinstance(item, dict):
            waiting += item.values()
        elif isinstance(item, list | tuple):
            waiting += item
    return False


def whole_number(text: str) -> int | None:
    """The number that a text is, of at most nine ASCII digits; None for all else, raised digits among them."""
    text = text.strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 9 else None

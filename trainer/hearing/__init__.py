"""The ear: sound of one bass in, strokes and notes out. Pure: no file, device, clock or thread; numpy only.

`Ear` listens along and says what it knows as soon as it knows it; `refine` reads a whole recording again, unhurried,
and gives what is scored; `levels` and `tuner` serve the sound check. `HEARING_VERSION` goes up whenever the same
sound comes out otherwise: takes kept with their recording are then heard again.

From the literature, each by hand in numpy where it is used: YIN (de Cheveigné & Kawahara 2002, J. Acoust. Soc. Am.
111: a fundamental within 20 % in all but 1 % of speech frames), the normalised square difference (McLeod & Wyvill
2005, ICMC: two periods suffice), probabilistic YIN (Mauch & Dixon 2014, ICASSP: several candidates kept, the path
decides), the bound of about two periods (Fonseca & Tavares 2020), onsets from energy and prediction error (Bello et
al. 2005, IEEE TSAP 13), picking of peaks (Dixon 2006, DAFx).
"""

from __future__ import annotations

from typing import Final

from trainer.hearing.ear import Ear
from trainer.hearing.events import DeadStroke, Event, NoteEnded, NoteHeard, PitchAmended, StrokeSeen
from trainer.hearing.meter import Levels, TunerReading, levels, tuner
from trainer.hearing.recording import HEARD_DTYPE, Heard, refine

__all__ = [
    "HEARD_DTYPE",
    "HEARING_VERSION",
    "DeadStroke",
    "Ear",
    "Event",
    "Heard",
    "Levels",
    "NoteEnded",
    "NoteHeard",
    "PitchAmended",
    "StrokeSeen",
    "TunerReading",
    "levels",
    "refine",
    "tuner",
]

HEARING_VERSION: Final = 7

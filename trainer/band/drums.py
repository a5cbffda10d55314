"""What the drummer plays in a bar: the groove's own pattern, a stop, the last bar."""

from __future__ import annotations

import numpy as np

from trainer.music.grooves import Groove
from trainer.music.grooves.pattern import (
    CLOSED_HAT,
    CRASH,
    FOOT,
    HAND,
    KICK,
    RIDE,
    SNARE,
    STICK,
    DrumBar,
    Hit,
    Places,
    loud,
)

__all__ = ["drum_bar", "final_hits", "stop_hits"]


def drum_bar(
    groove: Groove,
    role: str,
    intensity: float,
    places: Places,
    rng: np.random.Generator,
    habit_rng: np.random.Generator,
    bar: int,
) -> list[Hit]:
    """The form's bar `bar` (1-based) of a groove. A "solo" goes to ride and snare; other roles stay on hats, and side
    stick when quiet.

    `rng`: the bar's own. `habit_rng`: the chorus's; where kick and quiet strokes fall between the beats is a figure of
    two bars that it decides, so that a bass can lock to it.
    """
    made = DrumBar(places, intensity, rng, habit_rng.random((2, 8)), bar)
    groove.pattern(made, role == "solo")
    return made.hits


def stop_hits(intensity: float) -> list[Hit]:
    """A stopped bar: beat 1 only."""
    return [
        Hit(0.0, KICK, loud(100, intensity), FOOT),
        Hit(0.0, SNARE, loud(92, intensity), STICK),
        Hit(0.0, CLOSED_HAT, loud(80, intensity), HAND),
    ]


def final_hits(intensity: float, ritard: bool) -> list[Hit]:
    """The last bar: one hit that rings; with a ritard the ride marks the slowing beats under it."""
    hits = [
        Hit(0.0, KICK, loud(100, intensity), FOOT),
        Hit(0.0, CRASH, loud(96, intensity), HAND),
    ]
    if ritard:
        hits += [Hit(float(beat), RIDE, loud(70 - 8 * beat, intensity), HAND) for beat in (1, 2, 3)]
        hits.append(Hit(3.0, KICK, loud(84, intensity), FOOT))
    else:
        hits.append(Hit(0.0, SNARE, loud(86, intensity), STICK))
    return hits

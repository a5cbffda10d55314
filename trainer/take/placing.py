"""Which notes count, and where in the song: from host time to the take's seconds, over pauses and ways back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trainer.clock.fit import SongMap
from trainer.take.notes import FLAG_CUT, Notes

__all__ = ["DEAD_CHANNEL", "end_with_the_song", "placed_in_song"]

DEAD_CHANNEL = 1  # of a bass by its cable: where strokes without pitch are kept, counted from 0

JUMP_S = 0.1  # of the song, where it is taken up elsewhere; its clocks are corrected by far less
Bools = NDArray[np.bool_]


def placed_in_song(
    host_ns: NDArray[np.int64], song: SongMap, passes: Sequence[tuple[int, float]]
) -> tuple[NDArray[np.float64], Bools, Bools]:
    """(onset_s, stays, aside) of notes that began at `host_ns` (n,): where they lie in the song, which count, and which
    a later pass took the place of; what is neither fell into a pause, a lead-in or before the start.

    `passes`: (host_ns, first second that counts) of each time the song was taken up again. The map must have a point.
    """
    piece = np.clip(np.searchsorted(song.host_ns, host_ns, side="right") - 1, 0, None)
    onset_s: NDArray[np.float64] = np.asarray(song.seconds_at(host_ns), dtype=np.float64)
    moving = (song.rate[piece] > 0.0) & (host_ns >= song.host_ns[0])
    starts_s = np.array([-np.inf, *(from_s for _, from_s in passes)])
    which = np.searchsorted(np.array([at_ns for at_ns, _ in passes], dtype=np.int64), host_ns, side="right")
    # A note counts if its own pass had begun to count, and no later pass took the song up at or before its place.
    # A pass in which nothing was played takes nothing's place: going back and leaving loses no note.
    counted = moving & (onset_s >= starts_s[which])
    starts_s[~np.isin(np.arange(len(starts_s)), which[counted])] = np.inf
    later_s = np.append(np.minimum.accumulate(starts_s[::-1])[::-1][1:], np.inf)
    stays = counted & (onset_s < later_s[which])
    return onset_s, stays, counted & ~stays


def end_with_the_song(notes: Notes, host_ns: NDArray[np.int64], song: SongMap) -> None:
    """Cut what still sounds where the song stops for a pause or is taken up elsewhere: the time until it goes on is no
    part of a note. In place; `host_ns` (n,) is where the notes began."""
    until_s = song.song_s[:-1] + np.diff(song.host_ns) * 1e-9 * song.rate[:-1]
    breaks = np.flatnonzero((np.abs(song.song_s[1:] - until_s) > JUMP_S) | (song.rate[1:] == 0.0)) + 1
    ends_ns = np.append(song.host_ns[breaks], np.iinfo(np.int64).max)
    left_s = (ends_ns[np.searchsorted(ends_ns[:-1], host_ns, side="right")] - host_ns) * 1e-9
    cut = notes["duration_s"] > left_s
    notes["duration_s"][cut] = left_s[cut]
    notes["flags"][cut] |= FLAG_CUT

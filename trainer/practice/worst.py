"""The bars that cost most, and a session that goes over them again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trainer.clock.tempo import TempoMap
from trainer.scoring import Scorecard, score
from trainer.scoring.text import costly_bars
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.take import Take
from trainer.take.bent import unfolded
from trainer.take.notes import Notes

__all__ = ["line_of_four", "loop_card", "loop_session", "worst_bars", "worst_bars_session"]


PICK_UP_BEATS = 0.4  # so far before a bar its first note may be meant; our choice


def loop_session(session: Session, bars: tuple[int, int], *, times: int = 4) -> Session:
    """Bars `first`–`last` (1-based, of the form) of a session, round and round."""
    return replace(
        session,
        loop=bars,
        choruses=(ChorusPlan("verse", times),),
        drop_outs=(),
        pedals=(),
        start="top",
        ending="plain",
        count_in_bars=max(1, session.count_in_bars),
    )


def worst_bars(card: Scorecard) -> tuple[int, int, int] | None:
    """(chorus, first bar, last bar) of the four-bar line that cost most; None when nothing cost anything.

    The form's own lines of four are kept together: 1–4, 5–8, 9–12.
    """
    worst = costly_bars(card, 1)
    if not worst or card.chart is None:
        return None
    chorus, bar, _ = worst[0]
    return line_of_four(card.chart, chorus, bar)


def line_of_four(chart: Chart, chorus: int, bar: int) -> tuple[int, int, int]:
    """(chorus, first bar, last bar) of the line of four that a bar stands in."""
    inside = [b.bar for b in chart.bars if b.chorus == chorus]
    low, high = min(inside), max(inside)
    first = low + (bar - low) // 4 * 4
    last = min(first + 3, high)
    return chorus, max(low, min(first, last - 3)), last


def worst_bars_session(
    session: Session, take: Take, chorus: int, first: int, last: int
) -> tuple[Session, list[tuple[float, bytes]]]:
    """A session that goes over some bars of a chorus once and ends, and the player's own notes of them as messages.

    The session may be at another tempo than the take: the notes then keep their places in the beat.
    """
    chart = expand(session)
    bars = [bar for bar in chart.bars if bar.chorus == chorus and first <= bar.bar <= last]
    start_beats, end_beats = bars[0].onset_beats, bars[-1].end_beats
    # Twice round, because the band ends the last bar on I; the player's notes are heard the first time.
    again = replace(
        session,
        loop=(first, last),
        choruses=(ChorusPlan(bars[0].role if bars[0].role != "intro" else "verse", 2, (bars[0].intensity,) * 2),),
        drop_outs=(),
        pedals=(),
        start="top",
        ending="plain",
        count_in_bars=1,
        guide="off",
    )
    onsets = take.tempo.beats_at(take.notes["onset_s"])
    inside = take.notes[(onsets >= start_beats - 0.5) & (onsets < end_beats - 0.25)]
    tempo = TempoMap(expand(again).tempo_segments)

    def moved_s(second: float) -> float:
        return float(tempo.seconds_at(float(take.tempo.beats_at(second)) - start_beats))

    rows: list[tuple[float, bytes]] = []
    for note in inside:
        number = round(float(note["pitch"]))
        if not 0 <= number <= 127:
            continue
        onset_s, end_s = (moved_s(float(note["onset_s"]) + more) for more in (0.0, float(note["duration_s"])))
        rows.append((onset_s, bytes((0x90, number, max(1, int(note["velocity"]))))))
        rows.append((max(onset_s + 0.05, end_s), bytes((0x80, number, 0))))
    return again, sorted(rows)


def loop_card(take: Take, first: int, last: int) -> Scorecard:
    """The card of some bars of the form in a take of ours, all its choruses one after another: what a loop over them
    is compared with. `ValueError` for a take without a session.
    """
    if take.session is None:
        raise ValueError("a take without a session has no bars")
    chart = expand(take.session)
    starts: dict[int, float] = {}
    for bar in chart.bars:
        if bar.chorus > 0 and bar.bar == first:
            starts.setdefault(bar.chorus, bar.onset_beats)
    loop = loop_session(take.session, (first, last), times=max(1, len(starts)))
    tempo, span = TempoMap(expand(loop).tempo_segments), 4.0 * (last - first + 1)

    def moved(table: Notes) -> Notes:
        beats = np.asarray(take.tempo.beats_at(table["onset_s"]), dtype=np.float64)
        pieces = [table[:0]]
        for i, start in enumerate(starts.values()):
            piece = table[(beats >= start - PICK_UP_BEATS) & (beats < start + span - PICK_UP_BEATS)].copy()
            piece["onset_s"] += float(tempo.seconds_at(i * span)) - float(take.tempo.seconds_at(start))
            pieces.append(piece)
        return np.concatenate(pieces)

    take = unfolded(take)
    header = replace(take.header, gaps=())
    return score(Take(moved(take.notes), tempo, loop, moved(take.band), header))

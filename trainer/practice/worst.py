"""The bars that cost most, and a session that goes over them again."""

from __future__ import annotations

from dataclasses import replace

from trainer.scoring import Scorecard
from trainer.scoring.text import costly_bars
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take

__all__ = ["worst_bars", "worst_bars_session"]


def worst_bars(card: Scorecard) -> tuple[int, int, int] | None:
    """(chorus, first bar, last bar) of the four-bar line that cost most; None when nothing cost anything.

    The form's own lines of four are kept together: 1–4, 5–8, 9–12.
    """
    worst = costly_bars(card, 1)
    if not worst or card.chart is None:
        return None
    chorus, bar, _ = worst[0]
    inside = [b.bar for b in card.chart.bars if b.chorus == chorus]
    low, high = min(inside), max(inside)
    first = low + (bar - low) // 4 * 4
    last = min(first + 3, high)
    return chorus, max(low, min(first, last - 3)), last


def worst_bars_session(
    session: Session, take: Take, chorus: int, first: int, last: int
) -> tuple[Session, list[tuple[float, bytes]]]:
    """A session that goes over some bars of a chorus once and ends, and the player's own notes of them as messages."""
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
    zero_s = float(take.tempo.seconds_at(start_beats))
    rows: list[tuple[float, bytes]] = []
    for note in inside:
        number = round(float(note["pitch"]))
        if not 0 <= number <= 127:
            continue
        onset_s = float(note["onset_s"]) - zero_s
        rows.append((onset_s, bytes((0x90, number, max(1, int(note["velocity"]))))))
        rows.append((onset_s + max(0.05, float(note["duration_s"])), bytes((0x80, number, 0))))
    return again, sorted(rows)

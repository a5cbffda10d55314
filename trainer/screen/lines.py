"""The playing screen for what is not a terminal: one plain line a bar."""

from __future__ import annotations

from trainer.screen.frame import clean_text
from trainer.screen.layout import ROLE_HINTS
from trainer.screen.state import ScreenState
from trainer.session import Chart, ChartBar

__all__ = ["opening_lines", "plain_line"]


def opening_lines(state: ScreenState) -> list[str]:
    """What is about to be played, and the warnings so far: one line each."""
    session = state.chart.session
    tempo_bpm = state.tempo_bpm if state.tempo_bpm is not None else session.tempo_bpm
    n = state.chart.n_choruses
    plural = {"chorus": "choruses", "round": "rounds"}[state.round_word] if n != 1 else state.round_word
    length = "" if state.open_end else f", {n} {plural}"
    lines = [
        f"{clean_text(session.title)}: {session.key.name}, {tempo_bpm:g} bpm, {session.groove.replace('_', ' ')}, "
        f"swing {session.swing_ratio:g}:1{length}"
    ]
    if state.source:
        lines.append(clean_text(state.source))
    return lines + [f"warning: {clean_text(text)}" for text in state.warnings]


def plain_line(state: ScreenState) -> str:
    """The bar that sounds now as one line; write it when the bar changes.

    "chorus 2/5 solo   bar  5/12   C7 (IV)   next G7 (I) in 2 bars   height 0.75"
    """
    if state.phase == "ended":
        return f"end   {state.n_notes} notes heard"
    bar = state.bar
    chords = " ".join(chord.name for chord in bar.chords)
    if state.counting_in:
        back = f", {state.round_word} {bar.chorus} bar {bar.bar}" if state.counts_to_idx else ""
        return f"count-in   {_n_bars(state.next_change.bars)} to {chords} ({bar.degrees[0]}){back}"
    number = f"{bar.chorus}" if state.open_end else f"{bar.chorus}/{state.chart.n_choruses}"
    parts = [
        "intro" if bar.chorus == 0 else f"{state.round_word} {number} {state.chart.role_words(bar)}",
        f"bar {bar.bar:>2}/{state.chorus_bars[-1].bar}",
        f"{chords} ({' '.join(bar.degrees)})",
        _coming(state.chart, bar),
    ]
    if bar.role == "solo" and not bar.heard:
        parts.append(f"{ROLE_HINTS['solo']}, height {bar.intensity:.2g}")
    special = {"band out": bar.drop_out, "stops": bar.stopped, "last bar": bar.final, "paused": state.phase == "paused"}
    return "   ".join([*parts, *(word for word, present in special.items() if present)])


def _coming(chart: Chart, bar: ChartBar) -> str:
    """The next chord in a bar to come that is not the last one of this bar, or the end."""
    last = chart.spans[int(chart.span_idx_at(bar.end_beats - 1e-6))]
    later = next((span for span in chart.spans if span.bar_idx > bar.idx and span.chord != last.chord), None)
    if later is None:
        return f"the end in {_n_bars(len(chart.bars) - bar.idx)}"
    return f"next {later.chord.name} ({later.degree}) in {_n_bars(later.bar_idx - bar.idx)}"


def _n_bars(n: int) -> str:
    return f"{n} bar{'' if n == 1 else 's'}"

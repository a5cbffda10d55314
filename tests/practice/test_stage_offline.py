"""A night through the engine's own code offline: transport, recorder, take file, scorer; cues obeyed and missed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, model_line, planned_song
from trainer.line.stand_in import Performance
from trainer.live import PlayOptions, play_offline
from trainer.practice.history import History
from trainer.practice.stage import LEVELS, Tune, TuneResult, judge_tune, make_night
from trainer.scoring import score
from trainer.session import BEATS_PER_BAR, expand
from trainer.take import read_take, sorted_notes, write_take

CLEAN = Feel(lateness_ms=4.0, jitter_sd_ms=6.0, missed_frac=0.0)
KINDS = ("start", "solo", "verse", "another", "stop_time", "ending")
TUNES = [(level, seed) for level in LEVELS for seed in (1, 4)]


def inside(notes: np.ndarray, tune: Tune, kind: str, tempo: TempoMap) -> np.ndarray:
    """Which notes fall under cues of a kind; the song's last bar under none."""
    end = expand(tune.session).bars[-1].onset_beats
    beats = tempo.beats_at(notes["onset_s"]) + 0.4
    spans = [(cue.at_beats, min(cue.end_beats, end)) for cue in tune.cues if cue.kind == kind]
    return np.any([(beats >= start) & (beats < stop) for start, stop in spans], axis=0)


def performance(tune: Tune, deaf_to: str = "") -> list[tuple[float, bytes]]:
    """Who knows everything and leaves the stops; `deaf_to`: the kind of cue that goes unheard.

    Deaf to a role: walks about in it and misses most changes.
    """
    chart = expand(tune.session)
    tempo = TempoMap(chart.tempo_segments)
    made: Performance = StandIn(CLEAN, seed=5).play(planned_song(chart, 2), tempo)
    notes = made.notes
    if deaf_to in ("verse", "solo"):
        lost = StandIn(replace(CLEAN, missed_frac=0.7), seed=6).play(model_line(chart, device="walking_line"), tempo)
        notes = sorted_notes(
            np.concatenate(
                [notes[~inside(notes, tune, deaf_to, tempo)], lost.notes[inside(lost.notes, tune, deaf_to, tempo)]]
            )
        )
    beats = tempo.beats_at(notes["onset_s"])
    keep = np.ones(len(notes), dtype=bool)
    unheard = [cue for cue in tune.cues if cue.kind == deaf_to == "stop_time"]
    through = [bar for bar in chart.bars if any(cue.at_beats <= bar.onset_beats < cue.end_beats for cue in unheard)]
    for bar in chart.bars:
        if bar.stopped and bar not in through:
            keep &= ~((beats >= bar.onset_beats + 0.4) & (beats < bar.end_beats - 0.3))
    last = chart.bars[-1]
    keep &= beats < last.onset_beats + 0.4
    for cue in tune.cues:
        if cue.kind == deaf_to == "start":
            keep &= beats >= -0.3
        elif cue.kind == deaf_to == "another":
            keep &= ~((beats >= cue.at_beats - 0.4) & (beats < cue.at_beats + 3 * BEATS_PER_BAR))
        elif cue.kind == deaf_to == "ending":
            keep &= beats < last.onset_beats - 0.5
    rows = []
    for note in notes[keep]:
        pitch, on = round(float(note["pitch"])), float(note["onset_s"])
        rows.append((on, bytes([0x90, pitch, int(note["velocity"])])))
        rows.append((on + float(note["duration_s"]), bytes([0x80, pitch, 0])))
    for bar in through:
        if bar.stopped:
            for at in (1.0, 2.0, 2.66):
                on = float(tempo.seconds_at(bar.onset_beats + at))
                rows += [(on, bytes([0x90, 36, 90])), (on + 0.1, bytes([0x80, 36, 0]))]
    return sorted(rows)


def played(tune: Tune, folder: Path, deaf_to: str = "") -> TuneResult:
    cues = tuple((cue.shown_beats, cue.end_beats, cue.text) for cue in tune.cues)
    options = PlayOptions(cues=cues, extra={"stage": {"seed": 1, "level": "x", "tune": tune.number}})
    take = play_offline(tune.session, performance(tune, deaf_to), options)
    take = read_take(write_take(take, folder))
    card = score(take)
    return judge_tune(tune, card, card.reading, expand(tune.session))


def followed(result: TuneResult, kind: str) -> list[bool | None]:
    return [item.followed for item in result.cues if item.cue.kind == kind]


@pytest.mark.parametrize(("level", "seed"), TUNES)
def test_every_cue_obeyed_and_one_entry_a_tune(level: str, seed: int, tmp_path: Path) -> None:
    tunes = make_night(seed, level).tunes[:2]
    for tune in tunes:
        result = played(tune, tmp_path)
        assert result.ended_together is True
        for kind in KINDS:
            assert all(followed(result, kind)), (kind, result.cues)
        assert result.n_followed == result.n_judged == len(tune.cues)
        assert result.changes == 0 or result.roots >= 0.7 * result.changes
    with History(tmp_path) as book:
        book.refresh()
        assert [row.kind for row in book.takes()] == ["stage"] * len(tunes)


@pytest.mark.parametrize("kind", KINDS)
def test_exactly_the_unheard_cue_is_missed(kind: str, tmp_path: Path) -> None:
    found = [
        tune
        for seed in range(1, 20)
        for tune in make_night(seed, "full_house").tunes
        if any(cue.kind == kind for cue in tune.cues)
    ][:2]
    assert len(found) == 2
    for tune in found:
        result = played(tune, tmp_path, deaf_to=kind)
        assert set(followed(result, kind)) == {False}
        for other in {*KINDS} - {kind}:
            assert set(followed(result, other)) <= {True}, (other, result.cues)

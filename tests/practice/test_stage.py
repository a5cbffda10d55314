"""A night on stage: repeatable, called and cued as it is played, and cues followed or missed are judged exactly."""

from __future__ import annotations

import numpy as np
import pytest

from tests.sim.stage_nights import called
from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.line import Feel, StandIn, planned_song
from trainer.practice.stage import LEVELS, Tune, TuneResult, judge_night, judge_tune, make_night
from trainer.scoring import score
from trainer.session import BEATS_PER_BAR, Chart, expand
from trainer.take import Take, sorted_notes
from trainer.take.notes import Notes

CLEAN = Feel(lateness_ms=4.0, jitter_sd_ms=6.0, missed_frac=0.0)
NIGHTS = [(seed, level) for level in LEVELS for seed in (1, 2, 3)]


def played(tune: Tune) -> tuple[Notes, Chart, TempoMap]:
    """The tune as a stand-in plays it who knows everything, with every stop left and the end hit once."""
    chart = expand(tune.session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(CLEAN, seed=5).play(planned_song(chart, 2), tempo).notes
    beats = tempo.beats_at(notes["onset_s"])
    keep = np.ones(len(notes), dtype=bool)
    for bar in chart.bars:
        if bar.stopped:
            keep &= ~((beats >= bar.onset_beats + 0.4) & (beats < bar.end_beats - 0.3))
    last = chart.bars[-1]
    keep &= beats < last.onset_beats + 0.4
    return notes[keep], chart, tempo


def judged(tune: Tune, notes: Notes, chart: Chart, tempo: TempoMap) -> TuneResult:
    card = score(Take(notes=sorted_notes(notes), tempo=tempo, session=tune.session))
    return judge_tune(tune, card, card.reading, chart)


def outcome(result: TuneResult, kind: str) -> list[bool | None]:
    return [item.followed for item in result.cues if item.cue.kind == kind]


@pytest.mark.parametrize(("seed", "level"), NIGHTS)
def test_nights_repeat_and_their_cues_are_true(seed: int, level: str) -> None:
    night = make_night(seed, level)
    assert night == make_night(seed, level) and night != make_night(seed + 100, level)
    assert len(night.tunes) == LEVELS[level].n_tunes
    for tune in night.tunes:
        chart = expand(tune.session)
        roles = {}
        for bar in chart.bars:
            roles.setdefault(bar.chorus, bar.role)
        for cue in tune.cues:
            assert cue.shown_beats <= cue.at_beats < cue.end_beats <= chart.end_beats or cue.kind == "start"
            bar = chart.bars[int(chart.bar_idx_at([cue.at_beats])[0])]
            if cue.kind in ("solo", "verse"):
                assert bar.role == cue.kind and roles[bar.chorus - 1] != cue.kind
                ahead = LEVELS[level].cue_ahead_beats
                assert cue.shown_beats == max(chart.count_in_beats, cue.at_beats - ahead)
            if cue.kind in ("solo", "verse", "stop_time"):  # it stands while something else is played
                assert " coming: " in cue.text
            if cue.kind == "another":
                assert bar.role == roles[bar.chorus - 1] == "solo" and cue.at_beats - cue.shown_beats == 8.0
        assert [cue.kind for cue in tune.cues].count("ending") == 1
        assert tune.session.key.name in tune.called and " bars" in tune.called


@pytest.mark.parametrize(("seed", "level"), NIGHTS)
def test_who_follows_everything_is_told_so(seed: int, level: str) -> None:
    for tune in make_night(seed, level).tunes:
        result = judged(tune, *played(tune))
        assert result.ended_together is True, [c.text for c in result.cues]
        for kind in ("start", "another", "stop_time", "ending"):
            assert all(outcome(result, kind)), (kind, [(c.cue.kind, c.text) for c in result.cues])


def tunes_with(kind: str, ending: str | None = None) -> list[Tune]:
    found = [
        tune
        for level in LEVELS
        for seed in range(1, 12)
        for tune in make_night(seed, level).tunes
        if any(cue.kind == kind for cue in tune.cues) and (ending is None or tune.session.ending == ending)
    ]
    assert len(found) >= 3
    return found[:3]


def test_a_missed_start_is_missed() -> None:
    for tune in tunes_with("start"):
        notes, chart, tempo = played(tune)
        result = judged(tune, notes[notes["onset_s"] > -0.2], chart, tempo)
        assert outcome(result, "start") == [False]


def test_leaving_when_the_soloist_stays_is_missed() -> None:
    for tune in tunes_with("another"):
        notes, chart, tempo = played(tune)
        cue = next(cue for cue in tune.cues if cue.kind == "another")
        beats = tempo.beats_at(notes["onset_s"])
        gone = (beats >= cue.at_beats - 0.4) & (beats < cue.at_beats + 3 * BEATS_PER_BAR)
        assert outcome(judged(tune, notes[~gone], chart, tempo), "another") == [False]


def test_playing_through_stops_is_missed() -> None:
    for tune in tunes_with("stop_time"):
        notes, chart, tempo = played(tune)
        extra = [
            (float(tempo.seconds_at(bar.onset_beats + at)), 0.2, 36.0, 90, 0, 0)
            for bar in chart.bars
            if bar.stopped
            for at in (1.0, 2.0, 2.66)
        ]
        result = judged(tune, np.concatenate([notes, np.array(extra, dtype=notes.dtype)]), chart, tempo)
        assert outcome(result, "stop_time") == [False]


@pytest.mark.parametrize("ending", ["plain", "stop", "tag", "ritard"])
def test_not_ending_together_is_said_with_its_reason(ending: str) -> None:
    for tune in tunes_with("ending", ending):
        notes, chart, tempo = played(tune)
        beats = tempo.beats_at(notes["onset_s"])
        last = chart.bars[-1].onset_beats
        early = judged(tune, notes[beats < last - 0.5], chart, tempo)
        assert early.ended_together is False
        assert next(c.text for c in early.cues if c.cue.kind == "ending") == "not on the last one"
        more = np.array([(float(tempo.seconds_at(last + at)), 0.2, 36.0, 90, 0, 0) for at in (1, 2, 3)], notes.dtype)
        late = judged(tune, np.concatenate([notes, more]), chart, tempo)
        assert late.ended_together is False
        if ending == "tag":
            out = (beats >= last - 6 * BEATS_PER_BAR) & (beats < last - 0.5)
            assert judged(tune, notes[~out], chart, tempo).ended_together is False


def test_nobody_played() -> None:
    tune = make_night(1).tunes[0]
    notes, chart, tempo = played(tune)
    result = judged(tune, notes[:0], chart, tempo)
    assert result.form_kept is False and result.ended_together is False
    assert all(item.followed in (False, None) for item in result.cues)
    assert judge_night([result])[0] == "Form kept from start to end in 0 of 1 tune."


def test_an_unknown_night_names_the_nearest() -> None:
    with pytest.raises(UsageError, match='did you mean "full_house"'):
        make_night(1, "fullhouse")


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("first_seed", [1, 1001])
def test_thirty_nights_call_what_is_called_on_stages(level: str, first_seed: int) -> None:
    """Common practice: E, A and G first, minor now and then, one slow one a night; no tune is like the one before."""
    found = called(level, 30, first_seed)
    assert found.alike == 0 and found.most_slow <= 1
    assert found.minor_frac <= 0.25 and found.commonest_frac > 0.5
    assert len({tune.key.name for tune in found.tunes}) >= 6
    assert {tune.groove for tune in found.tunes} == set(LEVELS[level].grooves)

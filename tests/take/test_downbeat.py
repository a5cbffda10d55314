"""The first downbeat found from the notes of the stand-in player, cut anywhere in the form, and of a hand-made file.

The truth is where the cut was made. Stated sureness is held against how often it is right.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.lily import lily_score
from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, model_line, planned_song
from trainer.music import parse_key
from trainer.scoring import score
from trainer.scoring.text import summary
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.take import Take, TakeHeader, empty_notes, read_take, write_take
from trainer.take.downbeat import MIN_NOTES, Downbeat, find_downbeat

FORMS = ("quick_change_12", "slow_change_12", "eight_bar", "sixteen_bar", "minor_12")
DEVICES = (None, "root_shuffle", "walking_line", "box_figure", "boogie_figure", "pentatonic_riff")


def simulated(seed: int, ratio_played: float = 1.0, wanders: float = 0.0) -> tuple[Downbeat, float, Chart, float]:
    """A drawn song, cut at a drawn place, put anywhere: what was found, the true origin, the chart, beats of music.

    `ratio_played`: beats played for each of the file's, from the first note on; `wanders`: how far it goes up and down.
    """
    rng = np.random.default_rng(seed)
    groove = str(rng.choice(["shuffle", "two_beat", "straight", "slow_twelve_eight"]))
    ratio = 1.0 if groove == "straight" else float(rng.choice([1.5, 2.0, 2.5]))
    session = Session(
        key=parse_key(str(rng.choice(["G", "A", "E", "Bb", "C", "F"]))),
        form=str(rng.choice(FORMS)),
        groove=groove,
        swing_ratio=ratio,
        tempo_bpm=float(rng.choice([60, 96, 140])),
        count_in_bars=0,
        choruses=(ChorusPlan("verse", 2, (0.5, 0.5)), ChorusPlan("solo", 2, (0.7, 0.7))),
    )
    chart = expand(session)
    device = DEVICES[int(rng.integers(len(DEVICES)))]
    line = planned_song(chart, seed=seed) if rng.random() < 0.4 else model_line(chart, device=device, seed=seed)
    feel = Feel(
        lateness_ms=float(rng.normal(5.0, 10.0)),
        swing_ratio=None if ratio == 1.0 else ratio * float(rng.uniform(0.85, 1.1)),
        jitter_sd_ms=float(rng.uniform(3.0, 20.0)),
    )
    notes = StandIn(feel, seed=seed).play(line).notes
    beats = TempoMap(chart.tempo_segments).beats_at(notes["onset_s"])
    cut = float(rng.integers(0, 4 * len(chart.form_chords) - 8)) if rng.random() < 0.6 else 0.0
    length = float(rng.choice([24, 48, 96, 200]))
    kept = (beats >= cut - 0.3) & (beats < cut + length)
    lead = float(rng.integers(0, 20)) if rng.random() < 0.5 else float(rng.uniform(0, 20))
    on_file = beats[kept] - cut + lead
    on_file = on_file[0] + (on_file - on_file[0]) / ratio_played
    if wanders:
        bars = np.arange(0.0, on_file[-1] - on_file[0] + 8.0, 4.0)
        gone = 4.0 * (1.0 + wanders * np.sin(2 * np.pi * bars / 64.0 + rng.uniform(0.0, 2 * np.pi)))
        on_file = on_file[0] + np.interp(on_file - on_file[0], bars, np.cumsum(gone) - gone[0])
    found = find_downbeat(on_file, notes["pitch"][kept], chart)
    assert found is not None
    return found, lead - cut, chart, length


@pytest.fixture(scope="module")
def sample() -> list[tuple[Downbeat, float, Chart, float]]:
    return [simulated(seed) for seed in range(200)]


def test_the_downbeat_is_found(sample: list[tuple[Downbeat, float, Chart, float]]) -> None:
    """Cut anywhere, at any beat of the file: 95 in 100 to a quarter of a beat (our choice), of whole choruses 97."""
    right = np.array([abs(found.origin_beats - true) < 0.25 for found, true, *_ in sample])
    long = np.array([length >= 4 * len(chart.form_chords) for *_, chart, length in sample])
    assert right.mean() >= 0.92
    assert long.sum() >= 80 and right[long].mean() >= 0.96


def test_sureness_keeps_its_word(sample: list[tuple[Downbeat, float, Chart, float]]) -> None:
    """Of the answers that say so much, at least as many are right, within the Monte Carlo error of a share."""
    right = np.array([abs(found.origin_beats - true) < 0.25 for found, true, *_ in sample])
    sure = np.array([found.sureness for found, *_ in sample])
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        inside = (sure >= low) & (sure < high)
        said, n = sure[inside].mean(), int(inside.sum())
        assert n >= 10, "the draws must reach every degree of sureness"
        assert right[inside].mean() >= said - 2.0 * np.sqrt(max(said * (1 - said), 0.01) / n)
    assert (sure >= 0.95).mean() > 0.4


@pytest.mark.parametrize("ratio_played", [0.96, 0.99, 1.01, 1.03])
def test_who_keeps_another_tempo_than_the_files_is_placed_all_the_same(ratio_played: float) -> None:
    """Recorded without a click: at one per cent off, a song's end lies beats away from the file's."""
    sample = [simulated(seed, ratio_played) for seed in range(30)]
    right = np.array([abs(found.origin_beats - true) < 0.3 for found, true, *_ in sample])
    assert right.mean() >= 0.92
    assert right[np.array([found.sureness > 0.8 for found, *_ in sample])].all()


def test_of_a_tempo_that_wanders_nothing_is_said_to_be_sure() -> None:
    """Two per cent up and down over sixteen bars, as without a click: a third were put into a wrong bar, as surely."""
    sample = [simulated(seed, wanders=0.02) for seed in range(30)]
    right = np.array([abs(found.origin_beats - true) < 0.3 for found, true, *_ in sample])
    sure = np.array([found.sureness for found, *_ in sample])
    long = np.array([length >= 96 for *_, length in sample])
    assert right.mean() >= 0.6 and sure[long].max() <= 0.6
    assert right[sure > 0.8].all()


def test_bar_and_beat_of_the_first_note(sample: list[tuple[Downbeat, float, Chart, float]]) -> None:
    for found, true, chart, _ in sample:
        if abs(found.origin_beats - true) < 0.25:
            assert 1 <= found.bar <= len(chart.form_chords) and 1 <= found.beat <= 4


SHUFFLE = Session(count_in_bars=0, form="slow_change_12", choruses=(ChorusPlan("verse", 2, (0.5, 0.5)),))


@pytest.fixture(scope="module")
def shuffle() -> Take:
    chart = expand(SHUFFLE)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(model_line(chart, device="boogie_figure", seed=3)).notes
    return Take(notes, TempoMap(chart.tempo_segments), SHUFFLE)


def test_a_take_that_starts_in_the_middle(tmp_path: Path, shuffle: Take) -> None:
    """Through files: the take from bar 7 on, without its Marker; the axis found is the take's own again."""
    cut_s = float(shuffle.tempo.seconds_at(24.0)) - 0.1
    late = shuffle.notes[shuffle.notes["onset_s"] > cut_s].copy()
    late["onset_s"] -= cut_s + 0.1
    path = write_take(replace(shuffle, notes=late, session=None), tmp_path)
    path.with_suffix(".json").unlink()
    path.write_bytes(path.read_bytes().replace(b"\xff\x06\x08chorus 1", b"\xff\x01\x08chorus 1"))
    read = read_take(path, session=SHUFFLE, downbeat="auto")
    assert read.header.downbeat_from == "auto"
    told = read.header.extra["downbeat"]
    assert (told["bar"], told["beat"]) == (7, 1.0) and told["sureness"] > 0.9
    assert np.abs(read.notes["onset_s"] - late["onset_s"] - float(shuffle.tempo.seconds_at(24.0))).max() < 0.005


def test_nobody_is_right_on_a_beat_that_his_own_notes_gave(shuffle: Take) -> None:
    for lead_beats, known in ((3.0, True), (3.4, False)):
        beats = shuffle.tempo.beats_at(shuffle.notes["onset_s"]) + lead_beats
        found = find_downbeat(beats, shuffle.notes["pitch"], expand(SHUFFLE))
        assert found is not None
        extra = {"downbeat": found.to_dict()}
        header = TakeHeader(foreign=True, profile="foreign", downbeat_from="auto", extra=extra)
        assert ("late or early cannot be said" not in summary(score(replace(shuffle, header=header)))) is known


def test_lateness_is_kept_where_the_file_has_the_beat(shuffle: Take) -> None:
    """A player 30 ms late on the file's own grid stays 30 ms late: the downbeat found lies on the grid."""
    beats = shuffle.tempo.beats_at(shuffle.notes["onset_s"] + 0.030) + 3.0
    found = find_downbeat(beats, shuffle.notes["pitch"], expand(SHUFFLE))
    assert found is not None and found.origin_beats == 3.0 and found.phase_beats == 0.0


def test_a_pick_up_leads_into_chorus_1(shuffle: Take) -> None:
    beats = shuffle.tempo.beats_at(shuffle.notes["onset_s"])
    with_pick_up = np.concatenate(([-1.0, -1 / 3], beats)) + 1.0
    pitch = np.concatenate(([38.0, 42.0], shuffle.notes["pitch"]))
    found = find_downbeat(with_pick_up, pitch, expand(SHUFFLE))
    assert found is not None and found.origin_beats == 1.0 and (found.bar, found.beat) == (12, 4.0)


def test_too_few_notes() -> None:
    assert find_downbeat(np.arange(MIN_NOTES - 1.0), np.full(MIN_NOTES - 1, 40.0), expand(SHUFFLE)) is None
    assert find_downbeat(empty_notes()["onset_s"], empty_notes()["pitch"], expand(SHUFFLE)) is None


def test_one_note_over_and_over_is_not_sure() -> None:
    found = find_downbeat(np.arange(96.0), np.full(96, 66.0), expand(SHUFFLE))
    assert found is not None and found.sureness < 0.5


def test_a_line_written_by_hand(tmp_path: Path) -> None:
    """LilyPond plays two choruses in G from bar 5 on, after three bars and a beat of rest: no code shared with ours."""
    one, four, five = "g,8 g, b, b, d d e d", "c8 c e e g g a g", "d8 d fs fs a a b a"
    order = [
        four,
        four,
        one,
        one,
        five,
        four,
        one,
        five,
        one,
        one,
        one,
        one,
        four,
        four,
        one,
        one,
        five,
        four,
        one,
        five,
    ]
    path = lily_score("r1*3 r4 " + " ".join(order), tmp_path, bpm=100, swing=r"\tripletFeel 8")
    session = replace(SHUFFLE, tempo_bpm=100.0)
    read = read_take(path, session=session, downbeat="auto")
    told = read.header.extra["downbeat"]
    assert (told["bar"], told["beat"]) == (5, 1.0) and told["sureness"] > 0.9
    assert float(read.tempo.beats_at(read.notes["onset_s"][0])) == pytest.approx(16.0, abs=1e-6)

"""Three evenings played whole, from the plan to the take files and back: what the player cannot do is found."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.practice.test_drills_played import CLEAN, ROUGH, take_of, with_the_fault
from trainer.clock import TempoMap
from trainer.line import StandIn, planned_song
from trainer.practice.drills import DRILLS, Exercise, drill_named
from trainer.practice.evening import Evening, evidence_of, keys_of, plan_evening, turns_of, weakness
from trainer.practice.history import History
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, TakeHeader, sorted_notes, write_take

FIRST = datetime.date(2026, 1, 5)
SONG = Session(choruses=(ChorusPlan("verse", 2), ChorusPlan("solo", 1, (0.7,)), ChorusPlan("verse")))


def planned(folder: Path, day: datetime.date) -> tuple[Evening, dict[str, float]]:
    with History(folder) as book:
        book.refresh()
        missed, keys = keys_of(book, day)
        evidence = evidence_of(book)
        return plan_evening(20, evidence, book.drill_runs(), day, keys=keys, missed=missed), weakness(evidence, day)


def play(evening: Evening, weak: str, folder: Path) -> None:
    """Everything clean but the one drill, which comes out as by who has its fault; the song says nothing of it."""
    for i, piece in enumerate(turns_of(evening)):
        header = TakeHeader(created=f"{evening.day}T19:{i:02d}:00+00:00")
        if piece.drill is not None and piece.key is not None and piece.tempo_bpm is not None:
            seed = 100 * evening.day.day + i
            made = drill_named(piece.drill)
            exercise = made.build(piece.key, piece.tempo_bpm, seed, short=piece.short, groove=piece.groove)
            take = take_of(exercise, CLEAN)
            if weak in (made.shows or (made.name,)):
                take = with_the_fault(replace(exercise, drill=weak), replace(ROUGH, jitter_sd_ms=45.0))
                if made.family == "devices":  # only where this one stands
                    take = in_its_bars(exercise, weak, take)
            kept = {"name": piece.drill, "key": piece.key, "tempo_bpm": piece.tempo_bpm, "seed": seed}
            header = replace(header, extra={"drill": kept | {"short": piece.short, "groove": piece.groove}})
        else:
            chart = expand(replace(SONG, seed=i))
            tempo = TempoMap(chart.tempo_segments)
            take = Take(StandIn(CLEAN, seed=i).play(planned_song(chart, i), tempo).notes, tempo, session=chart.session)
        write_take(replace(take, header=header), folder)


def in_its_bars(exercise: Exercise, device: str, other: Take) -> Take:
    """The answers clean but for the bars that ask for the device, which are another take's."""
    clean, chart = take_of(exercise, CLEAN), exercise.chart
    at = np.array([c.at_beats for c in exercise.model.claims if c.name == device])
    asked = {chart.bars[int(i)].idx for i in chart.bar_idx_at(at + 1e-9)}

    def inside(take: Take) -> np.ndarray:
        beats = np.clip(take.tempo.beats_at(take.notes["onset_s"]) + 0.4, chart.first_beats, None)
        return np.isin(chart.bar_idx_at(beats), sorted(asked))

    notes = np.concatenate([clean.notes[~inside(clean)], other.notes[inside(other)]])
    return replace(clean, notes=sorted_notes(notes))


@pytest.mark.parametrize("weak", ["push", "drop_out_2_of_4", "shuffle_two_strings"])
def test_found_from_the_takes_alone(weak: str, tmp_path: Path) -> None:
    for n in range(3):
        evening, _ = planned(tmp_path, FIRST + datetime.timedelta(days=n))
        play(evening, weak, tmp_path)
    evening, known = planned(tmp_path, FIRST + datetime.timedelta(days=3))
    assert max(known, key=lambda name: known[name]) == weak and known[weak] >= 0.45
    first = next(piece for piece in evening.pieces if piece.kind == "drill")
    assert first.drill == weak and first.minutes >= 5.0 and first.why == "did not go yet"
    with History(tmp_path) as book:
        book.refresh()
        unclean = {name for name, passed in book.clean_runs().items() if not all(passed)}
        # Who hurries when alone does so however long the band is out: one try shows it of all three.
        alike = {name for name in DRILLS if name.startswith("drop_out")} if weak.startswith("drop_out") else {weak}
        assert weak in unclean <= alike and len(book.clean_runs()) >= 20

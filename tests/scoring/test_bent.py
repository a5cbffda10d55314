"""What a pickup sends as a bend inside a sounding note and a player knows as a hammer-on, pull-off or slide: a note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.scoring.makers import chart_of, root_pitch
from trainer.clock.tempo import TempoMap
from trainer.practice.worst import loop_card
from trainer.scoring import read_notes, score
from trainer.scoring.clean import delay_s
from trainer.session import Chart
from trainer.take import Take, TakeHeader, notes_from_rows, read_take
from trainer.take.bent import unfolded
from trainer.take.messages import settled_bends
from trainer.take.model import Calibration
from trainer.take.notes import FLAG_CUT, FLAG_SLID, FLAG_SLURRED, JOINED
from trainer.take.store import take_midi

Bend = tuple[float, float]  # seconds from the change or from the stroke, semitones
CALIBRATED = Calibration(base_ms=20.0, periods=2.0, n=40)


def bent_take(chart: Chart, steps: Sequence[int], header: TakeHeader, *, late_s: float = 0.0) -> Take:
    """Roots in quarters, string per channel; the root of each change is reached from so many semitones away by a bend
    alone, `late_s` after the change, inside a note struck on the off-beat before it. As `header` says, late."""
    tempo = TempoMap(chart.tempo_segments)
    rows: list[tuple[float, float, float, int, int]] = []
    bends: list[tuple[float, int, float]] = []
    base_s = 0.0 if header.calibration is None else header.calibration.base_ms / 1000.0
    before, n = -1, 0
    for bar in chart.bars:
        for beat in range(4):
            pitch = root_pitch(bar.chords[beat * len(bar.chords) // 4].root_pc, 33)
            at = bar.onset_beats + beat
            on_s, end_s = (float(second) for second in tempo.seconds_at([at, at + 0.6]))
            struck_s, struck, channel = on_s, pitch, n % 2
            if before not in (-1, pitch):
                step = steps[n % len(steps)]
                struck_s, struck = float(tempo.seconds_at(at - 1 / 3)), pitch - step
                bends += [(struck_s - 0.01 + base_s, channel, 0.0), (on_s + late_s + base_s, channel, float(step))]
            late = float(delay_s(header.calibration, np.array([float(struck)]))[0])
            rows.append((struck_s + late, end_s + base_s - struck_s - late, float(struck), 90, channel))
            bends.append((end_s + base_s, channel, 0.0))
            before, n = pitch, n + 1
    return Take(notes_from_rows(rows), tempo, chart.session, header=replace(header, extra={"bends": bends}))


@pytest.mark.parametrize("calibration", [None, CALIBRATED], ids=["plain", "calibrated"])
@pytest.mark.parametrize("steps", [(2,), (-2,), (1, -3, 4)], ids=str)
def test_roots_reached_by_a_bend_on_the_changes_land(steps: tuple[int, ...], calibration: Calibration | None) -> None:
    chart = chart_of(2)
    take = bent_take(chart, steps, TakeHeader(profile="strings", calibration=calibration))
    card = score(take)
    hidden = score(replace(take, header=replace(take.header, extra={})))
    changes = card.landing.total.changes
    assert changes > 12 and card.landing.total.roots == changes > hidden.landing.total.roots + 8
    assert card.verdict.to_dict() != hidden.verdict.to_dict()
    reading = card.reading
    joined = reading.notes[reading.joined]
    assert len(joined) == len(take.bends[take.bends[:, 2] != 0.0])
    at_s = np.asarray(take.tempo.seconds_at(np.rint(reading.beats[reading.joined])), dtype=np.float64)
    assert np.allclose(joined["onset_s"], at_s, atol=1e-6)  # at its own true time: no periods are taken off it
    assert np.all(reading.notes["onset_s"][1:] >= reading.notes["onset_s"][:-1])
    assert abs(card.timing.mean_s.value) < 1e-6


def slid_take(chart: Chart, step: int, stands_s: float, way_s: float, header: TakeHeader) -> Take:
    """Roots in quarters; each change is struck `step` semitones under its root, which stands so long, and slid up."""
    tempo = TempoMap(chart.tempo_segments)
    changes = {round(span.onset_beats) for span in chart.spans}
    rows, bends = [], []
    for bar, beat in ((bar, beat) for bar in chart.bars for beat in range(4)):
        at = bar.onset_beats + beat
        on_s, end_s = (float(s) for s in tempo.seconds_at([at, at + 0.9]))
        slides = round(at) in changes
        bends.append((on_s - 0.005, 0, float(-step * slides)))
        bends += [(on_s + stands_s + way_s * k / 8, 0, step * (k / 8 - 1.0)) for k in range(1, 9) if slides]
        rows.append((on_s, end_s - on_s, float(root_pitch(bar.chords[beat * len(bar.chords) // 4].root_pc, 33)), 90, 0))
    notes, line = notes_from_rows(rows), np.array(bends)
    on_s = notes["onset_s"].astype(np.float64)
    notes["pitch"] += settled_bends(line[:, 0], line[:, 2], on_s, on_s + notes["duration_s"])
    return Take(notes, tempo, chart.session, header=replace(header, extra={"bends": bends}))


@pytest.mark.parametrize("stands_s", [0.09, 0.12])
def test_a_root_slid_into_from_a_fret_that_stands_a_moment_lands(stands_s: float) -> None:
    """Struck on the change, one fret under it, and slid up: a slide's note is where it arrives."""
    chart = chart_of(2)
    tempo = TempoMap(chart.tempo_segments)
    rows, bends = [], []
    for n, (bar, beat) in enumerate((bar, beat) for bar in chart.bars for beat in range(4)):
        pitch = root_pitch(bar.chords[beat * len(bar.chords) // 4].root_pc, 33)
        on_s, end_s = (float(s) for s in tempo.seconds_at([bar.onset_beats + beat, bar.onset_beats + beat + 0.9]))
        if rows and pitch == rows[-1][2]:
            bends.append((on_s - 0.005, n % 2, 0.0))
        else:
            way = [(on_s + stands_s + 0.01 * k, n % 2, k / 5 - 1.0) for k in range(1, 6)]
            bends += [(on_s - 0.005, n % 2, -1.0), *way]
        rows.append((on_s, end_s - on_s, float(pitch), 90, n % 2))
    notes, line = notes_from_rows(rows), np.array(bends)
    for channel in (0, 1):  # as a file or a take says it: where the bend settled
        mine, of_it = notes["channel"] == channel, line[:, 1] == channel
        on_s = notes["onset_s"][mine].astype(np.float64)
        end_s = on_s + notes["duration_s"][mine]
        notes["pitch"][mine] += settled_bends(line[of_it, 0], line[of_it, 2], on_s, end_s)
    card = score(Take(notes, tempo, chart.session, header=TakeHeader(profile="strings", extra={"bends": bends})))
    assert card.reading.joined.any()
    assert card.landing.total.roots == card.landing.total.changes > 12


# A note is 0.56 s long: after half a second there is little left of it to stand where the slide leads.
@pytest.mark.parametrize("foreign", [False, True])
@pytest.mark.parametrize(
    ("stands_s", "way_s"), [(0.0, 0.2), (0.06, 0.1), (0.1, 0.1), (0.2, 0.1), (0.2, 0.3), (0.0, 0.5)], ids=str
)
@pytest.mark.parametrize("step", [2, -2, 3, -3])
def test_roots_at_changes_slid_into_by_some_semitones_count(
    step: int, stands_s: float, way_s: float, foreign: bool
) -> None:
    """However long the slide takes within the beat: one that stood longer than a pitch settles was a neutral seventh,
    and one that took as long as that a note on the way."""
    header = TakeHeader(foreign=foreign, profile="foreign" if foreign else "strings", downbeat_from="marker")
    card = score(slid_take(chart_of(2), step, stands_s, way_s, header))
    assert card.landing.roots == card.landing.changes == 16
    # After a third of the beat; of a slow slide that is where it is nearer to its goal than to what it leaves.
    assert not foreign or (card.landing.roots_late > 0) == (stands_s > 0.15 or way_s > 0.4)
    assert card.form.lost == () and card.reading.transposed_semitones == 0


@pytest.mark.parametrize("step", [4, -5])
def test_changes_all_slid_into_from_one_distance_are_no_transposition(step: int) -> None:
    chart = chart_of(2)
    card = score(slid_take(chart, step, 0.1, 0.3, TakeHeader(profile="strings")))
    assert card.reading.transposed_semitones == 0
    assert card.landing.roots == card.landing.changes == 16


def test_what_falls_off_as_it_is_let_go_is_no_note() -> None:
    """A string let go: the pitch falls by a semitone, or at once by two, and stays there until the note ends."""
    for step, way_s in ((1, 0.06), (2, 0.01)):
        bends = [(0.4 + way_s * k / 4, 0, -step * k / 4) for k in range(1, 5)]
        take = Take(notes_from_rows([(0.0, 0.4 + way_s + 0.06, 40.0, 90)]), TempoMap([(0.0, 100.0)]), None)
        assert not unfolded(replace(take, header=TakeHeader(extra={"bends": bends}))).notes["flags"].any()


def test_a_step_that_is_a_bend_lands_and_is_no_evidence_of_time() -> None:
    chart = chart_of(2)
    header = TakeHeader(profile="strings", calibration=CALIBRATED)
    take = bent_take(chart, (2,), header, late_s=0.06)  # smoothed by the pickup
    card = score(take)
    n_joined = int(card.reading.joined.sum())
    assert card.timing.excused["joined"] == n_joined > 12
    assert card.landing.total.roots == card.landing.total.changes
    assert abs(card.timing.mean_s.value) < 1e-6 and card.timing.spread_s.value < 1e-6
    on = card.reading.on_note_idx
    assert card.reading.joined[on[on >= 0]].sum() == n_joined
    found = card.swing.found
    beats = found.beat - card.reading.first_beat_idx
    struck = card.reading.on_note_idx[beats], card.reading.between_note_idx[beats]
    for rows in (*struck, found.next_idx[found.next_idx >= 0]):
        assert not card.reading.joined[rows].any()


def test_files_from_elsewhere_and_loops_are_read_alike(tmp_path: Path) -> None:
    chart = chart_of(2)
    take = bent_take(chart, (2, -2), TakeHeader(profile="strings"))
    path = tmp_path / "pickup.mid"
    path.write_bytes(take_midi(take))
    for card in (score(read_take(path, session=chart.session)), loop_card(take, 5, 8)):
        assert card.landing.total.roots == card.landing.total.changes > 3
        assert card.reading.joined.any()


SHAPES: dict[str, list[Bend]] = {
    "vibrato": [(0.06 + 0.01 * k, 0.45 * float(np.sin(0.6 * k))) for k in range(40)],
    "scoop": [(0.0, -2.0), *((0.03 + 0.012 * k, -2.0 + 0.2 * k) for k in range(1, 11))],
    "quarter tone": [(0.1 + 0.01 * k, 0.05 * k) for k in range(11)],
    "quarter tone and back": [(0.1 + 0.02 * k, 0.5 - abs(0.1 * k - 0.5)) for k in range(11)],
    "slip of an octave": [(0.15, 12.0), (0.3, 0.0)],
    "slip of a twelfth": [(0.2, 19.0)],
    "short slip": [(0.15, 2.0), (0.2, 0.0)],
}


@pytest.mark.parametrize("shape", SHAPES)
def test_what_is_no_other_fret_makes_no_second_note(shape: str) -> None:
    chart = chart_of(2)
    plain = bent_take(chart, (0,), TakeHeader(profile="strings"))
    bends = []
    for onset_s, duration_s, _, _, channel, _ in plain.notes.tolist():
        bends += [(onset_s - 0.005, channel, 0.0), *((onset_s + at_s, channel, up) for at_s, up in SHAPES[shape])]
        bends.append((onset_s + duration_s, channel, 0.0))
    notes, line = plain.notes.copy(), np.array(bends)
    for channel in (0, 1):  # as the recorder has it
        mine, here = line[:, 1] == channel, notes["channel"] == channel
        onset_s = notes["onset_s"][here]
        notes["pitch"][here] += settled_bends(
            line[mine, 0], line[mine, 2], onset_s, onset_s + notes["duration_s"][here]
        )
    take = replace(plain, notes=notes, header=replace(plain.header, extra={"bends": bends}))
    without = replace(take, header=replace(take.header, extra={}))
    assert read_notes(take, chart).n == len(take.notes)
    assert score(take).to_dict() == score(without).to_dict()


def test_unfolded_once_and_for_all() -> None:
    """Three pitches of one note that was never let go, the last by a slide; what has no bends stays the same object."""
    bends = [(0.5, 3, 2.0), *((1.0 + 0.02 * k, 3, 2.0 + 0.25 * k) for k in range(1, 13))]
    notes = notes_from_rows([(0.0, 2.0, 40.0, 77, 3, FLAG_CUT), (0.2, 0.1, 30.0, 50, 1)])
    take = Take(notes, TempoMap([(0.0, 60.0)]), header=TakeHeader(extra={"bends": bends, "guide": "off"}))
    whole = unfolded(take)
    got = whole.notes[whole.notes["channel"] == 3]
    assert np.allclose(got["pitch"], [40.0, 42.0, 45.0], atol=0.05)
    assert got["flags"].tolist() == [0, FLAG_SLURRED, FLAG_SLID | FLAG_CUT]
    assert set(got["velocity"].tolist()) == {77} and got["onset_s"][:2].tolist() == [0.0, 0.5]
    assert np.allclose(got["onset_s"][1:], got["onset_s"][:-1] + got["duration_s"][:-1])
    assert got["onset_s"][-1] + got["duration_s"][-1] == 2.0
    assert whole.header.extra == {"guide": "off"} and unfolded(whole) is whole
    assert not np.any(take.notes["flags"] & JOINED) and len(take.bends) == 13  # the take itself keeps what was sent
    heard = replace(take, header=replace(take.header, profile="sound"))
    assert unfolded(heard) is heard

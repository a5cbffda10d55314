"""The band as a Standard MIDI File, read back by `mido`, `pretty_midi` and `symusic`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mido
import numpy as np
import pretty_midi
import pytest
import symusic

from trainer.band import PARTS, arrange, render_midi
from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.music import GROOVES, parse_key
from trainer.session import Chart, ChorusPlan, Session, expand


def chart_of(*plans: ChorusPlan, **fields: Any) -> Chart:
    return expand(Session(choruses=plans or (ChorusPlan("verse", 1),), **fields))


def absolute(track: mido.MidiTrack) -> list[tuple[int, mido.MetaMessage | mido.Message]]:
    now, out = 0, []
    for message in track:
        now += message.time
        out.append((now, message))
    return out


def test_the_conductor_track(tmp_path: Path) -> None:
    chart = chart_of(
        ChorusPlan("verse", 2), ChorusPlan("solo"), key=parse_key("Bb"), start="from_the_turnaround", title="Été – bis"
    )
    file = mido.MidiFile(render_midi(chart, tmp_path / "band.mid"))
    assert file.type == 1
    ticks = file.ticks_per_beat
    conductor = absolute(file.tracks[0])
    start = -chart.count_in_beats
    markers = [(at / ticks - start, m.text) for at, m in conductor if m.type == "marker"]
    assert markers == [
        (chart.count_in_beats, "count-in"), (-8.0, "intro"),
        (0.0, "chorus 1 verse"), (48.0, "chorus 2 verse"), (96.0, "chorus 3 solo"),
    ]  # fmt: skip
    chords = [(at / ticks - start, m.text) for at, m in conductor if m.type == "text"]
    assert chords == [(span.onset_beats, span.chord.name) for span in chart.spans]
    (signature,) = [m for _, m in conductor if m.type == "time_signature"]
    assert (signature.numerator, signature.denominator) == (4, 4)
    assert [m.key for _, m in conductor if m.type == "key_signature"] == ["Bb"]
    assert [round(mido.tempo2bpm(m.tempo), 3) for _, m in conductor if m.type == "set_tempo"] == [96.0]


@pytest.mark.parametrize("groove", sorted(GROOVES))
def test_other_libraries_read_the_same_notes_at_the_same_times(groove: str, tmp_path: Path) -> None:
    chart = chart_of(
        ChorusPlan("verse"), ChorusPlan("solo", 1, (0.9,)), groove=groove, guide="on", ending="ritard", tempo_bpm=111.0
    )
    score = arrange(chart)
    path = render_midi(chart, tmp_path / "band.mid", score=score)
    tempo = TempoMap(chart.tempo_segments)
    start_s = float(tempo.seconds_at(score.first_beats))
    wanted = sorted(
        (int(e["pitch"]), round(float(s) - start_s, 9), int(e["velocity"]))
        for e, s in zip(score.events, score.onsets_s(tempo), strict=True)
    )
    tick_s = 60.0 / 60.0 / 960.0
    read = pretty_midi.PrettyMIDI(str(path))
    pretty = sorted((n.pitch, n.start, n.velocity) for i in read.instruments for n in i.notes)
    song = symusic.Score(str(path)).to("second")
    other = sorted((n.pitch, n.time, n.velocity) for t in song.tracks for n in t.notes)
    assert len(pretty) == len(other) == len(wanted)
    for found in (pretty, other):
        assert [row[0] for row in found] == [row[0] for row in wanted]
        assert np.abs(np.array([row[1] for row in found]) - np.array([row[1] for row in wanted])).max() <= tick_s
    names = {i.name for i in read.instruments}
    assert names <= set(PARTS)
    assert all(i.is_drum == (i.name in ("drums", "count")) for i in read.instruments)
    for instrument in read.instruments:
        if not instrument.is_drum:
            assert instrument.program in score.programs.values()


def test_no_note_is_cut_or_left_hanging(tmp_path: Path) -> None:
    chart = chart_of(ChorusPlan("solo", 2, (0.9, 1.0)), groove="slow_twelve_eight", guide="on", tempo_bpm=60.0)
    file = mido.MidiFile(render_midi(chart, tmp_path / "band.mid"))
    for track in file.tracks[1:]:
        sounding: set[tuple[int, int]] = set()
        for message in track:
            if message.type == "note_on":
                assert (message.channel, message.note) not in sounding
                sounding.add((message.channel, message.note))
            elif message.type == "note_off":
                sounding.remove((message.channel, message.note))
        assert not sounding


def test_bends_are_on_the_wheel_before_their_note_and_done_within_it(tmp_path: Path) -> None:
    chart = chart_of(ChorusPlan("solo", 2, (0.5, 0.9)), seed=4)
    score = arrange(chart)
    path = render_midi(chart, tmp_path / "band.mid", score=score)
    lead = score.events[score.events["channel"] == 2]
    (track,) = [t for t in mido.MidiFile(path).tracks if t.name == "lead"]
    wheel, starts, ends = None, [], []
    for message in track:
        if message.type == "pitchwheel":
            wheel = message.pitch / 4096  # semitones: General MIDI's wheel turns two
        elif message.type == "note_on":
            starts.append(wheel)
        elif message.type == "note_off":
            ends.append(wheel)
    assert starts == pytest.approx(list(lead["bend_from"]), abs=1e-3)
    assert ends == pytest.approx(list(lead["bend_to"]), abs=1e-3)
    read = pretty_midi.PrettyMIDI(str(path))
    for instrument in read.instruments:
        assert bool(instrument.pitch_bends) == (instrument.name == "lead")


def test_the_organs_speaker_is_switched_by_modulation(tmp_path: Path) -> None:
    """Controller 1, on the organ's channel alone: slow from the start, fast (beyond the middle) a beat before the solo,
    slow after it. Read back by another library."""
    plans = ChorusPlan("verse"), ChorusPlan("solo", 1, (0.8,)), ChorusPlan("verse")
    chart = chart_of(*plans, groove="shuffle", tempo_bpm=60.0, count_in_bars=1)
    read = pretty_midi.PrettyMIDI(str(render_midi(chart, tmp_path / "band.mid")))
    said = {i.name: [(c.time, c.value) for c in i.control_changes if c.number == 1] for i in read.instruments}
    assert [value >= 64 for _, value in said["keys"]] == [False, True, False]
    assert [time for time, _ in said.pop("keys")] == pytest.approx([0.0, 4.0 + 47.0, 4.0 + 96.0], abs=0.002)
    assert not any(said.values())


KEYS = ["C", "G", "D", "A", "E", "B", "F#", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C#m", "G#m", "D#m", "Ebm", "Bbm", "Am"]


@pytest.mark.parametrize("key", KEYS)
def test_every_key_can_be_named(key: str, tmp_path: Path) -> None:
    path = render_midi(chart_of(key=parse_key(key)), tmp_path / "band.mid")
    (named,) = [m.key for m in mido.MidiFile(path).tracks[0] if m.type == "key_signature"]
    assert parse_key(named).tonic_pc == parse_key(key).tonic_pc
    assert parse_key(named).minor == parse_key(key).minor


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "band.mid"
    target.write_bytes(b"before")

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("trainer.band.render.midi_bytes", full)
        with pytest.raises(UsageError, match=r"cannot write .*band\.mid: No space left on device; choose a folder"):
            render_midi(chart_of(), target)
    assert target.read_bytes() == b"before"
    assert [file.name for file in tmp_path.iterdir()] == ["band.mid"]
    render_midi(chart_of(), target)
    assert mido.MidiFile(target).type == 1
    assert render_midi(chart_of(), tmp_path / "again.mid").read_bytes() == target.read_bytes()

"""Which track is the bass, in files of every kind; and takes whose JSON is lost.

Outside judge of the files that we write: `pretty_midi` and `mido` see programs, channels and track names.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pretty_midi
import pytest

from trainer.cli.run import run
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError
from trainer.line import Feel, StandIn, planned_song
from trainer.session import expand, session_from_dict
from trainer.take import Take, read_take
from trainer.take.finding import says_bass
from trainer.take.store import take_midi


@pytest.mark.parametrize(
    "name",
    [
        "bass", "BASS", "Bass 1", "bass1", "Bass (DI)", "E-Bass", "EBass", "E.Bass", "El. Bass", "electric bass",
        "Electric Bass (finger)", "Acoustic Bass", "Fretless Bass", "Slap Bass 2", "Synth Bass", "Bass Guitar",
        "bass_guitar", "BassGuitar", "Bassline", "Bass line", "Upright Bass", "Double Bass", "Contrabass", "basse",
        "Guitare basse", "Basse électrique", "contrebasse", "basso", "Basso elettrico", "contrabbasso", "bajo",
        "Bajo eléctrico", "Contrabajo", "Baixo", "contrabaixo", "bas", "basgitaar", "Basgitarr", "Elbas", "Bassgitarre",
        "Kontrabass", "Kontrabas", "Gitara basowa", "Baskytara", "Basová kytara", "Basszusgitár", "bassokitara",
        "Бас", "бас-гитара", "Контрабас", "μπάσο", "ベース", "エレキベース", "贝斯", "電貝斯", "베이스",
    ],
)  # fmt: skip
def test_names_that_say_bass(name: str) -> None:
    assert says_bass(name)


@pytest.mark.parametrize(
    "name",
    [
        "", "Bass Drum", "bassdrum", "Bassoon", "Basset horn", "Bass Clarinet", "Bass trombone", "Bass flute",
        "Sax bajo", "Bass voice", "Piano (bass clef)", "Basic pad", "Bassett", "Lead", "Drums", "Basstrommel",
        "Baseline test", "Embassy", "клавесин", "Bass Tuba",
    ],
)  # fmt: skip
def test_names_that_do_not(name: str) -> None:
    assert not says_bass(name)


def part(
    name: str, low: int, n: int = 16, *, channel: int = 0, program: int | None = None, chord: bool = False
) -> mido.MidiTrack:
    """`n` quarter notes round `low`; with `chord` three at a time."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)] if name else [])
    if program is not None:
        track.append(mido.Message("program_change", channel=channel, program=program))
    for i in range(n):
        notes = [low + i % 5 + step for step in ((0, 4, 7) if chord else (0,))]
        track += [mido.Message("note_on", channel=channel, note=note, velocity=80) for note in notes]
        for k, note in enumerate(notes):
            track.append(mido.Message("note_off", channel=channel, note=note, time=0 if k else 440))
        track.append(mido.MetaMessage("text", text="", time=40))
    return track


def read(tmp_path: Path, *tracks: mido.MidiTrack, **options: Any) -> Take:
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    file.tracks += tracks
    file.save(tmp_path / "song.mid")
    return read_take(tmp_path / "song.mid", **options)


def found(take: Take) -> tuple[int, list[str]]:
    return take.header.extra["midi"]["track"]["number"], take.header.extra["remarks"]


def test_by_name_then_program_then_the_lowest_line(tmp_path: Path) -> None:
    lead, organ = part("Lead", 64), part("Organ", 40, chord=True, channel=1)
    drums = part("Bass kit", 36, channel=9)
    number, remarks = found(read(tmp_path, lead, part("E-Bass", 30, channel=2), organ, drums))
    assert number == 2 and remarks == [
        'track 2 "E-Bass" is read as the bass, by its name; choose another with --track NAME|NUMBER'
    ]
    # two are so named: the program decides; then the lower
    two = part("Bass gtr", 40, channel=2), part("bass 2", 45, channel=3, program=33)
    number, remarks = found(read(tmp_path, lead, *two, drums))
    assert number == 3 and "by its General MIDI program, 34" in remarks[0]
    number, remarks = found(read(tmp_path, lead, part("Bass gtr", 45, channel=2), part("bass 2", 33, channel=3), drums))
    assert number == 3 and "as the lowest line of single notes of the 2 so named" in remarks[0]
    # no name says it: the program, wherever in the file it is given
    setup = mido.MidiTrack([mido.Message("program_change", channel=4, program=38)])
    number, remarks = found(read(tmp_path, setup, lead, part("Low", 50, channel=4), organ, drums))
    assert number == 3 and "by its General MIDI program, 39" in remarks[0]
    # neither: the lowest line of single notes, chords and drums left out
    number, remarks = found(read(tmp_path, lead, organ, part("", 38, channel=5), drums))
    assert number == 3 and "as the lowest line of single notes" in remarks[0]


def test_what_cannot_be_told_is_asked(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r'2 tracks could be the bass: 1 "Lead" \(16 notes\), 2 "Organ"'):
        read(tmp_path, part("Lead", 64), part("Organ", 40, chord=True, channel=1))  # a high line and chords
    with pytest.raises(UsageError, match="drums only"):
        read(tmp_path, part("bass", 36, channel=9))
    assert len(read(tmp_path, part("bass", 36, channel=9), track="bass").notes) == 16  # asked for is asked for


def test_the_instrument_name_counts_where_the_track_has_none(tmp_path: Path) -> None:
    named = part("", 45, channel=3)
    named.insert(0, mido.MetaMessage("instrument_name", name="Basso elettrico"))
    assert found(read(tmp_path, part("Lead", 38), named))[0] == 2


# --- our own files, their JSON lost ---------------------------------------------------------------------------------


SONGS: list[dict[str, Any]] = [
    {"key": "G", "tempo_bpm": 96.0, "chorus": [{"role": "verse", "times": 2}, {"role": "solo"}]},
    {"key": "Bb", "tempo_bpm": 132.5, "start": "from_the_five", "ending": "tag", "turnaround": "chromatic_to_five",
     "chorus": [{"role": "verse"}, {"role": "solo", "heard": True}, {"role": "head"}]},
    {"key": "Am", "form": "minor_12", "groove": "rumba", "start": "from_the_turnaround", "tempo_bpm": 110.0,
     "chorus": [{"role": "verse", "times": 2}], "drop_out": [{"chorus": 2, "bars": [9, 10]}]},
    {"key": "E", "form": "two_five_12", "swing_ratio": 1.5, "ending": "ritard", "chorus": [{"role": "verse"}]},
    {"key": "F#", "form": "chart", "chart": {"bars": ["F#7", "B7 A#7", "F#7 E7 D7 C#7", "%", "Bdim7"]},
     "chorus": [{"role": "solo", "times": 3}], "pedal": [{"chorus": 1, "bars": [2, 3]}]},
    {"key": "Db", "form": "eight_bar", "tempo_bpm": 61.0, "groove": "slow_twelve_eight",
     "chorus": [{"role": "verse", "times": 2}]},
]  # fmt: skip


def taken(data: dict[str, Any], seed: int = 3) -> Take:
    session = session_from_dict(data)
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    return Take(StandIn(Feel(), seed=seed).play(planned_song(chart, seed), tempo).notes, tempo, session)


@pytest.mark.parametrize("data", SONGS, ids=lambda data: data["key"])
def test_a_take_without_its_json_keeps_its_chart(tmp_path: Path, data: dict[str, Any]) -> None:
    take = taken(data)
    (tmp_path / "alone.mid").write_bytes(take_midi(take))
    back = read_take(tmp_path / "alone.mid")
    assert back.session is not None and take.session is not None
    ours, theirs = expand(take.session), expand(back.session)
    for wanted, got in zip(ours.bars, theirs.bars, strict=True):
        assert [(c.root_pc, c.quality) for c in got.chords] == [(c.root_pc, c.quality) for c in wanted.chords]
        for name in ("chorus", "onset_beats", "role", "drop_out", "pedal", "heard", "final", "line"):
            assert getattr(got, name) == getattr(wanted, name), (name, wanted)
    assert back.session.swing_ratio == take.session.swing_ratio and back.session.groove == take.session.groove
    assert abs(back.session.tempo_bpm - take.session.tempo_bpm) < 0.01
    assert len(back.notes) == len(take.notes)


def test_an_older_file_says_that_its_swing_is_not_known(tmp_path: Path) -> None:
    """Files from before the cue points hold markers and chords only."""
    path = tmp_path / "old.mid"
    path.write_bytes(take_midi(taken(SONGS[0])))
    file = mido.MidiFile(path)
    for track in file.tracks:
        track[:] = [message for message in track if message.type != "cue_marker"]
    file.save(path)
    take = read_take(path)
    assert take.session is not None and take.session.form == "quick_change_12"
    assert "the file does not say how the band swings" in take.header.extra["remarks"][-1]


def test_chords_that_fit_no_chart_give_no_chart(tmp_path: Path) -> None:
    path = tmp_path / "odd.mid"
    path.write_bytes(take_midi(taken(SONGS[0])))
    file = mido.MidiFile(path)
    conductor = file.tracks[0]
    chords = [message for message in conductor if message.type == "text"]
    chords[13].text = "Ab7"  # the second chorus has another chord than the first
    file.save(path)
    assert read_take(path).session is None


def test_every_part_of_an_export_plays_with_its_own_sound(tmp_path: Path) -> None:
    """`pretty_midi` sees one instrument a part, with its program, and the player found by `score`."""
    session = tmp_path / "song.toml"
    session.write_text('key = "G"\n[[chorus]]\nrole = "verse"\n[[chorus]]\nrole = "solo"\nintensity = 0.9\n')
    takes = tmp_path / "takes"
    assert run(["demo", str(session), "--offline", "--takes", str(takes), "--json"]) == 0
    (take,) = takes.glob("*.mid")
    (n_played,) = [len(json.loads(take.with_suffix(".json").read_text())["notes"]["onset_s"])]
    for command in (["export", str(take), "--midi"], ["render", str(take), "--midi"]):
        path = tmp_path / f"{command[0]}.mid"
        assert run([*command, str(path)]) == 0
        parts = {(item.name, item.program, item.is_drum) for item in pretty_midi.PrettyMIDI(str(path)).instruments}
        assert ("bass", 33, False) in parts and ("keys", 16, False) in parts and ("chop", 28, False) in parts
        assert any(name == "drums" and drum for name, _, drum in parts)
        used: dict[int, set[str]] = {}
        for track in mido.MidiFile(path).tracks:
            for message in track:
                if message.type == "note_on" and message.channel != 9:
                    used.setdefault(message.channel, set()).add(track.name)
        assert all(len(names) == 1 for names in used.values()), used  # no channel is two parts'
        back = read_take(path)
        assert len(back.notes) == n_played and back.session is not None
        assert np.any(back.band["channel"] == 9)


def test_a_pad_on_channel_10_is_written_as_a_bass(tmp_path: Path) -> None:
    take = taken(SONGS[0])
    take.notes["channel"] = 9
    (tmp_path / "pad.mid").write_bytes(take_midi(take))
    assert 9 not in read_take(tmp_path / "pad.mid").notes["channel"]


@pytest.mark.parametrize(
    ("name", "letters"),
    [("бас", "cp1251"), ("ベース", "shift_jis"), ("贝斯", "gbk"), ("베이스", "euc_kr"), ("μπάσο", "cp1253"),
     ("E-Bass", "utf-16"), ("basse élec", "latin-1")],
)  # fmt: skip
def test_a_name_in_the_letters_of_its_country_is_read(name: str, letters: str, tmp_path: Path) -> None:
    """Written by `mido` in letters that the file does not name; a line above it is as low as the bass."""
    tracks = []
    for called, pitch in (("lead", 40), (name, 40)):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=called)])
        for _ in range(12):
            track += [mido.Message("note_on", note=pitch, time=0), mido.Message("note_off", note=pitch, time=480)]
        tracks.append(track)
    path = tmp_path / "song.mid"
    mido.MidiFile(tracks=tracks, charset=letters).save(path)
    remarks = read_take(path).header.extra["remarks"]
    assert any(f'track 2 "{name}" is read as the bass, by its name' in text for text in remarks)

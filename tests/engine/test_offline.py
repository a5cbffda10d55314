"""The whole run on a fake clock: what the stand-in played is what the take holds, through pauses and restarts."""

from __future__ import annotations

import tracemalloc
from collections import deque

import numpy as np
import pytest

from trainer.band import arrange
from trainer.clock.sources import FakeClock
from trainer.engine import Heard, Place
from trainer.line import Feel, StandIn, planned_song
from trainer.live import PartMix, PlayOptions, play_offline
from trainer.live.options import part_gains
from trainer.ports.memory import MemoryMidiOut
from trainer.scoring import score
from trainer.session import ChorusPlan, Session, default_session, expand
from trainer.take import read_take, write_take

SHORT = Session(tempo_bpm=120.0, choruses=(ChorusPlan("verse", 2),), loop=(1, 4), count_in_bars=1)


def performance(session: Session, seed: int = 1):
    return StandIn(Feel(), seed).play(planned_song(expand(session), seed))


def test_the_take_holds_what_was_played_to_the_microsecond_and_scores_as_it_was_set() -> None:
    session = default_session()
    played = performance(session)
    take = play_offline(session, played)
    assert np.abs(take.notes["onset_s"] - played.notes["onset_s"]).max() < 1e-6
    assert np.array_equal(take.notes["pitch"], played.notes["pitch"])
    assert take.header.completed and take.header.lateness["max_ms"] == 0.0
    card = score(take).to_dict()
    low, high = card["timing"]["mean_ci95_ms"]
    assert low - 1.0 <= played.feel.lateness_ms <= high + 1.0
    assert card["swing"]["ratio"] == pytest.approx(played.feel.swing_ratio, abs=0.12)


def test_any_start_of_the_host_clock_gives_the_same_take(tmp_path) -> None:
    played = performance(SHORT)
    one, two = (play_offline(SHORT, played, start_ns=ns) for ns in (10**9, 7 * 10**14 + 13))
    assert np.allclose(one.notes["onset_s"], two.notes["onset_s"], atol=1e-6)
    again = read_take(write_take(one, tmp_path))
    assert np.allclose(again.notes["onset_s"], one.notes["onset_s"], atol=1e-9)


def test_a_restart_keeps_the_later_notes_and_sets_the_earlier_aside() -> None:
    rows = [(i * 0.5, bytes((0x90, 40 + i, 90))) for i in range(32)]
    rows += [(i * 0.5 + 0.2, bytes((0x80, 40 + i, 0))) for i in range(32)]
    # The count-in takes 2 s; at 13.2 s the song stands at 11.2 s, in the second chorus, which began at 8 s.
    take = play_offline(SHORT, rows, commands=[(13.2, "restart")])
    assert take.notes["pitch"].tolist() == [40.0 + i for i in range(32)]
    assert take.notes["onset_s"] == pytest.approx(np.arange(32) * 0.5, abs=1e-6)
    aside = take.header.extra["set_aside"]
    assert [row[2] for row in aside] == [56.0 + i for i in range(7)]
    whole = play_offline(SHORT, rows)
    assert "set_aside" not in whole.header.extra


def test_a_take_keeps_the_bends_that_move_its_notes_and_reads_them_as_notes(tmp_path) -> None:
    """A string per channel, over the wheel's usual two semitones: notes in half seconds, every fourth hammered on."""
    rows: list[tuple[float, bytes]] = []
    for i in range(32):
        at_s, channel = i * 0.5, i % 2
        rows += [(at_s, bytes((0xE0 | channel, 0, 0x42))), (at_s, bytes((0x90 | channel, 30 + i, 90)))]  # sharp
        if i % 4 == 2:
            rows.append((at_s + 0.2, bytes((0xE0 | channel, 0x7F, 0x7F))))
        rows.append((at_s + 0.4, bytes((0x80 | channel, 30 + i, 0))))
    take = play_offline(SHORT, rows)
    hammered = np.arange(8) * 2.0 + 1.0
    moved = take.bends[take.bends[:, 2] > 1.5]
    assert moved[:, 0] == pytest.approx(hammered + 0.2, abs=1e-5) and set(moved[:, 1]) == {0.0}
    assert len(take.bends) == 32 + 8  # of a note that is not moved, no more than its pitch
    reading = score(take).reading
    assert reading.n == 40
    assert reading.notes["onset_s"][reading.joined] == pytest.approx(hammered + 0.2, abs=1e-5)
    assert np.rint(reading.pitch[reading.joined]).tolist() == [34.0 + 4 * k for k in range(8)]
    path = write_take(take, tmp_path)
    assert np.array_equal(read_take(path).bends, take.bends)
    assert score(read_take(path)).to_dict()["timing"] == score(take).to_dict()["timing"]
    path.with_suffix(".json").unlink()
    elsewhere = score(read_take(path)).reading
    assert elsewhere.n == 40 and np.array_equal(np.rint(elsewhere.pitch), np.rint(reading.pitch))
    # Taken up again with the song at 10.95 s: what was played before from 8 s on leaves no bend behind.
    again = play_offline(SHORT, rows, commands=[(12.95, "restart")])
    assert len(again.header.extra["set_aside"]) == 6 and np.allclose(again.bends, take.bends, atol=1e-5)
    plain = play_offline(SHORT, [row for row in rows if row[1][1:] != b"\x7f\x7f"])
    assert not len(plain.bends) and score(plain).reading.n == 32


def test_what_is_held_when_the_song_stops_ends_there() -> None:
    """A pause of eleven seconds is no note of twenty-two beats, nor is the time before a chorus is taken up again."""
    rows = [(i * 0.5, bytes((0x90, 40 + i, 90))) for i in range(32)]
    rows += [((i + 1) * 0.5 - 0.05, bytes((0x80, 40 + i, 0))) for i in range(32) if i != 3]
    take = play_offline(SHORT, rows, commands=[(4.47, "pause"), (15.3, "resume")])
    assert take.notes["pitch"].tolist() == [40.0 + i for i in range(32)]
    assert take.notes["duration_s"][3] == pytest.approx(0.97, abs=0.02)  # to the pause, not to the end
    assert (take.notes["flags"] != 0).tolist() == [i == 3 for i in range(32)]
    assert not any(item.outcome == "silent" for item in score(take).landing.items)


def test_going_back_and_leaving_without_a_note_loses_nothing() -> None:
    rows = [(i * 0.5, bytes((0x90, 40 + i, 90))) for i in range(12)]
    take = play_offline(SHORT, rows, commands=[(8.2, "restart"), (9.0, "stop")])
    assert take.notes["pitch"].tolist() == [40.0 + i for i in range(12)]
    assert "set_aside" not in take.header.extra and not take.header.completed
    assert take.band["onset_s"].max() == pytest.approx(take.notes["onset_s"].max(), abs=0.5)
    # One note played again from the chorus's top: now the later pass is meant.
    later = play_offline(SHORT, [(0.0, bytes((0x90, 50, 90)))], commands=[(3.0, "restart"), (5.5, "stop")])
    assert later.notes["pitch"].tolist() == [50.0] and len(later.header.extra["set_aside"]) == 1


def test_stopping_keeps_what_was_played_and_a_front_hears_of_everything() -> None:
    said: list[object] = []
    take = play_offline(SHORT, performance(SHORT), commands=[(7.0, "stop")], on_message=said.append)
    assert not take.header.completed
    assert 0 < len(take.notes) == sum(isinstance(m, Heard) for m in said)
    assert take.band["onset_s"].max() <= 5.1
    states = [m.state for m in said if isinstance(m, Place)]
    assert states[0] == "count_in" and states[-1] == "playing"


def test_muted_parts_do_not_sound_and_everything_ends_in_silence() -> None:
    made: list[MemoryMidiOut] = []

    def port(clock: FakeClock) -> MemoryMidiOut:
        made.append(MemoryMidiOut(clock))
        return made[0]

    play_offline(SHORT, (), PlayOptions(mix={"drums": PartMix(muted=True)}), midi_out=port)
    ons = [data for _, data in made[0].sent if data[0] & 0xF0 == 0x90]
    assert ons and made[0].sounding == []
    drums = [data for data in ons if data[0] == 0x99]
    assert len(drums) == 4  # the count-in's own clicks


def test_the_leads_bends_go_out_before_their_notes_and_leave_the_wheel_in_its_middle() -> None:
    made: list[MemoryMidiOut] = []

    def port(clock: FakeClock) -> MemoryMidiOut:
        made.append(MemoryMidiOut(clock))
        return made[0]

    session = Session(tempo_bpm=160.0, choruses=(ChorusPlan("solo", 1, (0.9,)),), count_in_bars=1, seed=4)
    play_offline(session, (), midi_out=port)
    lead = arrange(expand(session)).events
    wanted = lead["bend_from"][lead["channel"] == 2]
    wheel, begun = None, []
    for _, data in made[0].sent:
        if data[0] == 0xE2:
            wheel = (data[1] | data[2] << 7) / 4096 - 2  # semitones
        elif data[0] == 0x92:
            begun.append(wheel)
    assert (wanted < 0.0).sum() > 3
    assert begun == pytest.approx(wanted.tolist(), abs=1e-3)
    assert wheel == 0.0


def test_the_organs_speaker_is_told_its_speed_at_every_bar_and_left_slow() -> None:
    made: list[MemoryMidiOut] = []

    def port(clock: FakeClock) -> MemoryMidiOut:
        made.append(MemoryMidiOut(clock))
        return made[0]

    plans = ChorusPlan("verse", 1), ChorusPlan("solo", 1, (0.9,))
    play_offline(Session(tempo_bpm=240.0, groove="shuffle", choruses=plans, count_in_bars=1), (), midi_out=port)
    said = [data[2] for _, data in made[0].sent if data[:2] == b"\xb0\x01"]
    assert len(said) >= 24  # a bar and a switch
    assert said[:12] == [0] * 12 and max(said) >= 64 and said[-1] == 0
    assert [data[0] for _, data in made[0].sent if data[0] & 0xF0 == 0xB0 and data[1] == 1 and data[2]] == [0xB0] * sum(
        value > 0 for value in said
    )


def test_gains_follow_mute_solo_and_volume_and_the_count_outlives_a_solo() -> None:
    assert part_gains({}) == (1.0,) * 6
    assert part_gains({"drums": PartMix(0.5)})[0] == 0.25
    assert part_gains({"keys": PartMix(solo=True)}) == (0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    assert part_gains({"keys": PartMix(solo=True, muted=True)})[1] == 0.0


def test_memory_stays_flat_over_a_long_song() -> None:
    """At most five megabytes an hour while playing (the arrays of what was played); counted, not sampled."""
    session = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 36),))  # seven minutes
    rows = [
        (i * 0.25 + off_s, bytes((kind, 40, 90))) for i in range(1728) for off_s, kind in ((0.0, 0x90), (0.1, 0x80))
    ]
    at_mb: dict[int, float] = {}

    def heard(message: object) -> None:
        song_s = getattr(message, "song_s", None)
        if song_s is not None and (minute := int(song_s // 60.0)) not in at_mb:
            at_mb[minute] = tracemalloc.get_traced_memory()[0] / 1e6

    def forgetful(clock: FakeClock) -> MemoryMidiOut:
        port = MemoryMidiOut(clock)
        port.sent = deque(maxlen=1)  # type: ignore[assignment]  # what a test port keeps is not the program's
        return port

    tracemalloc.start()
    try:
        take = play_offline(session, rows, on_message=heard, midi_out=forgetful)
    finally:
        tracemalloc.stop()
    assert len(take.notes) == 1728
    assert at_mb[6] - at_mb[1] <= 5.0 * 5.0 / 60.0

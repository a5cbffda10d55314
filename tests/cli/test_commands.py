"""The commands: what they print, what they refuse and how, and what they cost to start."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import wave
from collections.abc import Callable
from pathlib import Path

import mido
import pytest

from tests.cli.conftest import Outcome
from trainer.cli.again import Sitting
from trainer.live import PlayOptions, PlayResult
from trainer.music import FORMS, GROOVES, TURNAROUNDS
from trainer.resources import session_names
from trainer.session import ENDINGS, STARTS, default_session

Command = Callable[..., Outcome]
ROOT = Path(__file__).resolve().parents[2]
HEAVY = {"numpy", "rich", "mido", "msgspec", "sounddevice", "rtmidi", "rtmidi2", "platformdirs", "trainer.session"}


def modules_loaded_by(*arguments: str) -> set[str]:
    """Names from `-X importtime` of a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "trainer", *arguments],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    return {line.rsplit("|", 1)[1].strip() for line in done.stderr.splitlines() if line.startswith("import time:")}


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("play", "--help")])
def test_help_loads_nothing_heavy(arguments: tuple[str, ...]) -> None:
    assert not modules_loaded_by(*arguments) & HEAVY


def test_help_names_every_command(command: Command) -> None:
    done = command("--help")
    assert done.status == 0
    for name in ("score", "render", "line", "ports", "sessions", "forms", "grooves", "chart", "check"):
        assert f"\n  {name} " in done.out


def test_help_is_whole_at_eighty_columns(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """No summary is cut, nothing runs over, and no type or range stands there that only a programmer reads."""
    monkeypatch.setenv("COLUMNS", "80")
    listed = command("--help").out
    names = [line.split()[0] for line in listed.split("Commands:")[1].splitlines() if line.strip()]
    assert len(names) >= 24
    pages = [listed, *(command(name, "--help").out for name in names)]
    pages += [command("worksheet", name, "--help").out for name in ("new", "check", "run")]
    for text in pages:
        assert "..." not in text.replace("COMMAND [ARGS]...", "").replace("}...", "")
        assert "<=" not in text and "list[" not in text and "<str>" not in text
        assert max(map(len, text.splitlines())) <= 80


def test_the_chart_says_what_the_bass_is_asked_for(command: Command) -> None:
    lines = command("chart", "two-beat-by-the-door").out.splitlines()
    assert lines[1] == "Chorus 1, verse, intensity 0.4, bass plays two-beat:"
    assert "Chorus 4, solo, intensity 0.6, bass plays quarters: as chorus 1" in lines


def test_alone_it_says_how_to_start(command: Command) -> None:
    done = command()
    assert done.status == 0
    lines = done.out.splitlines()
    assert len(lines) == 3
    assert lines[0] == "Nothing recorded yet."
    assert "trainer play" in lines[1]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("nosuch",), "No such command 'nosuch'. See: trainer --help"),
        (("forms", "--colour"), "No such option: --colour"),
        (("sessions", "first-round"), "trainer chart NAME"),
        (("drills", "roots"), "trainer drill NAME"),
        (("check", "--bass-in", "nosuch"), 'no sound input "nosuch"'),
        (("score", "last", "--takes", "nowhere"), "no take is kept in nowhere yet"),
        (("chart", "house"), 'no session "house": expected a TOML file or one of the ready-made sessions'),
        (("chart", "first-rond"), 'did you mean "first-round"?'),
        (("chart", "nosuch.toml"), "no session file nosuch.toml"),
        (("chart", "--bpm", "300"), "--bpm: found 300; allowed: a number from 40 to 240"),
        (("chart", "--bpm", "fast"), "Invalid value for '--bpm'"),
        (("chart", "--key", "H"), '"H" is not a key'),
        (("chart", "--form", "quick_chang_12"), 'did you mean "quick_change_12"?'),
        (("chart", "--groove", "shufle"), 'did you mean "shuffle"?'),
        (("chart", "--swing", "9"), "--swing: found 9; allowed: a number from 1 to 3.5"),
        (("chart", "--loop", "9"), None),
        (("history", "--weeks", "9999999"), None),
        (("chart", "--loop", "nine"), '--loop: found "nine"; expected bars of the form, such as 9-12'),
        (("chart", "--loop", "9-14"), '--loop: found "9-14"; allowed: the first and last bar, such as 9-12'),
        (("chart", "--choruses", "0"), "--choruses 0: expected a whole number from 1 to 400"),
        (("chart", "--choruses", "5000"), "--choruses 5000: expected a whole number from 1 to 400"),
        (("play", "--midi-in", "nosuch"), 'no MIDI input "nosuch"'),
        (("calibrate", "--no-audio", "--midi-out", "x", "--midi-in", "nosuch"), 'no MIDI input "nosuch"'),
        (("calibrate", "--from", "nosuch.mid"), "no file nosuch.mid"),
        (("play", "--midi-out", "nosuch"), 'no MIDI output "nosuch"'),
        (("play", "--clock-out", "nosuch"), 'no MIDI output "nosuch"'),
        (("play", "--follow", "nosuch"), 'no MIDI input "nosuch"'),
        (("play", "--audio", "nosuch"), 'no sound output "nosuch"'),
        (("demo", "--midi-out", "nosuch"), 'no MIDI output "nosuch"'),
        (("chart", "--intensity", "2"), "--intensity 2: expected a number from 0 to 1"),
        (("chart", "--guide", "loud"), 'guide: found "loud"; allowed: off, on, every_other'),
        (("chart", "house-chart", "--key", "Am"), "its chords are moved, not turned from major to minor"),
        (("render", "first-round"), "nothing to write; expected --wav FILE, --midi FILE, or both"),
        (("render", "--wav", "x.wav", "--mute", "drms"), 'did you mean "drums"?'),
        (("render", "--wav", "x.wav", "--volume", "drums=2"), '--volume: found "drums=2"; expected PART=0..1'),
        (("render", "--wav", "no/such/folder/x.wav", "--choruses", "1"), "no/such/folder"),
        (("score", "nosuch.mid"), "no file nosuch.mid"),
        (("score", "."), "no MIDI or sound file in there"),
        (("score", "x.mid", "--json", "--csv"), "exclude each other"),
        (("score", "x.mid", "--downbeat", "soon"), '--downbeat: found "soon"'),
        (("line", "--device", "walking"), "is not a device of the line"),
        (("line", "--strings", "7"), "--strings 7: expected 4, 5 or 6"),
        (("drill", "roots", "--strings", "3"), "--strings 3: expected 4, 5 or 6"),
        (("practice", "--tuning", "EADX"), '--tuning "EADX": expected the names'),
        (("study", "x.mid", "--strings", "5", "--tuning", "EADG"), "expected the names of 5 strings"),
        (("drill", "pin_the_verse", "--tuning", "F#BEA"), "the lowest string is F#1"),
        (("drill", "root_lock", "--times", "99"), "--times 99: expected a whole number from 1 to 20"),
        (("history", "--weeks", "0"), "--weeks 0: expected a whole number of at least 1"),
        (("calibrate", "--clicks", "1234567"), "--clicks 1234567: expected a whole number from 8 to 256"),
        (("calibrate", "--clicks", "9" * 400), "--clicks 99999999999999999999: expected a whole number"),
        (("check", "--strings", "3"), "--strings 3: expected 4, 5 or 6"),
        (("check", "--profile", "pads"), 'did you mean "pad"?'),
    ],
)  # fmt: skip
def test_a_persons_fault_is_one_line_and_status_2(
    command: Command, arguments: tuple[str, ...], says: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = command(*arguments)
    if says is None:
        assert done.status == 0
        return
    assert done.status == 2
    assert says in done.err
    assert done.err.count("\n") == 1
    assert done.err.startswith("trainer: ")
    assert "Traceback" not in done.err + done.out


def test_every_mistake_of_a_session_has_its_line(command: Command, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text('key = "Q"\ntempo_bpm = 5\ngrove = "x"\n', encoding="utf-8")
    done = command("chart", path)
    assert done.status == 2
    assert len(done.err.splitlines()) == 3
    assert all(line.startswith(f"trainer: {path}: ") for line in done.err.splitlines())


def test_a_fault_of_the_program_is_one_line_with_the_file(
    command: Command, own_folders: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import trainer.music

    monkeypatch.setattr(trainer.music, "FORMS", None)  # as if the program were broken
    done = command("forms")
    assert done.status == 1
    assert done.err.count("\n") == 1
    path = Path(done.err.strip().rsplit("details in ", 1)[1])
    assert path.parent == own_folders / "log"
    assert "Traceback" in path.read_text(encoding="utf-8")


def test_interrupted_is_130(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    import trainer.music

    class Interrupting:
        def values(self) -> None:
            raise KeyboardInterrupt

    monkeypatch.setattr(trainer.music, "FORMS", Interrupting())
    assert command("forms").status == 130


def test_a_reader_that_leaves_is_no_fault() -> None:
    done = subprocess.run(
        f'"{sys.executable}" -m trainer chart --json | head -c 10; exit ${{PIPESTATUS[0]}}',
        shell=True, executable="/bin/bash", capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stderr == ""


def test_lists_for_programs(command: Command) -> None:
    assert [form["name"] for form in json.loads(command("forms", "--json").out)] == list(FORMS)
    assert [groove["name"] for groove in json.loads(command("grooves", "--json").out)] == list(GROOVES)
    assert [session["name"] for session in json.loads(command("sessions", "--json").out)] == list(session_names())
    ports = json.loads(command("ports", "--json").out)
    assert set(ports) == {"midi_inputs", "midi_outputs", "midi_note", "audio_outputs", "audio_inputs", "audio_note"}


def test_lists_for_people(command: Command) -> None:
    assert "quick_change_12   Twelve bars, quick change" in command("forms").out
    assert "two_beat " in command("grooves").out
    assert "first-round" in command("sessions").out
    assert command("ports").out.startswith("MIDI in\n")


def test_at_least_six_sessions_of_many_kinds(command: Command) -> None:
    sessions = json.loads(command("sessions", "--json").out)
    assert len(sessions) >= 6
    for key, least in (("key", 6), ("form", 4), ("groove", 4), ("tempo_bpm", 6)):
        assert len({session[key] for session in sessions}) >= least, key
    assert any(session["key"].endswith("m") for session in sessions)
    assert any("drop_out" in session for session in sessions)


@pytest.mark.parametrize("name", session_names())
def test_every_ready_made_session_has_its_chart(command: Command, name: str) -> None:
    done = command("chart", name, "--json")
    assert done.status == 0
    data = json.loads(done.out)
    assert data["bars"][-1]["final"] is True
    assert data["end_beats"] == data["bars"][-1]["at_beats"] + 4
    assert command("chart", name).out.count("Chorus") >= data["bars"][-1]["chorus"]


def test_options_make_the_session(command: Command) -> None:
    data = json.loads(command("chart", "--key", "A", "--bpm", "112", "--choruses", "4", "--json").out)
    session = data["session"]
    assert (session["key"], session["tempo_bpm"], session["swing_ratio"]) == ("A", 112.0, 2.0)
    assert [t["role"] for t in session["chorus"]] == ["verse", "solo", "verse"]
    assert sum(t["times"] for t in session["chorus"]) == 4
    assert session["title"] == "A shuffle in A"
    fast = json.loads(command("chart", "--bpm", "200", "--json").out)["session"]
    assert fast["swing_ratio"] == 1.5  # common practice: closer to even when fast
    kept = json.loads(command("chart", "--bpm", "200", "--swing", "2", "--json").out)["session"]
    assert kept["swing_ratio"] == 2.0


def test_options_change_a_session_file_and_leave_the_rest(command: Command) -> None:
    plain = json.loads(command("chart", "drummer-at-the-bar", "--json").out)["session"]
    changed = json.loads(command("chart", "drummer-at-the-bar", "--bpm", "90", "--choruses", "3", "--json").out)[
        "session"
    ]
    assert changed["tempo_bpm"] == 90.0
    assert changed["title"] == plain["title"]
    assert [d["chorus"] for d in changed["drop_out"]] == [2, 3]
    longer = json.loads(command("chart", "stage-opener", "--choruses", "9", "--json").out)
    roles = [next(b["role"] for b in longer["bars"] if b["chorus"] == c) for c in range(1, 10)]
    assert roles == ["head", "verse", "verse", "solo", "solo", "solo", "head", "head", "verse"]
    loop = json.loads(command("chart", "drummer-at-the-bar", "--loop", "5-10", "--json").out)
    assert {bar["bar"] for bar in loop["bars"]} == set(range(5, 11))
    assert len(loop["session"]["drop_out"]) == 4


def test_a_written_chart_moves_to_another_key(command: Command) -> None:
    data = json.loads(command("chart", "house-chart", "--key", "A", "--json").out)
    assert data["session"]["chart"]["bars"] == [
        "A7",
        "D7",
        "A7",
        "%",
        "D7",
        "D#dim7",
        "A7",
        "F#7",
        "Bm7",
        "E7",
        "A7 D7",
        "A7 E7",
    ]
    home = json.loads(command("chart", "house-chart", "--json").out)
    assert [b["degrees"] for b in data["bars"]] == [b["degrees"] for b in home["bars"]]


def test_render_writes_sound_and_midi(command: Command, tmp_path: Path) -> None:
    wav, midi = tmp_path / "band.wav", tmp_path / "band.mid"
    done = command(
        "render",
        "--choruses",
        "1",
        "--bpm",
        "200",
        "--wav",
        wav,
        "--midi",
        midi,
        "--mute",
        "keys",
        "--sample-rate",
        "22050",
    )
    assert done.status == 0
    begins = "Bar 1 begins 2.400 s into it: the --downbeat of what is recorded from its beginning on."
    assert done.out.splitlines() == [f"wrote {wav}", begins, f"wrote {midi}"]
    with wave.open(str(wav)) as sound:
        assert (sound.getframerate(), sound.getnchannels()) == (22050, 2)
        assert sound.getnframes() / 22050 > (12 + 2) * 4 * 60 / 200
    names = [track.name for track in mido.MidiFile(midi).tracks]
    assert "drums" in names and "keys" not in names


def test_line_as_tablature_sounds_the_roots(command: Command) -> None:
    """Read back from the tablature: the first column of each bar is the chord's root on a standard bass."""
    out = command("line", "--key", "A", "--choruses", "1", "--device", "root_shuffle").out
    opens = {"G": 43, "D": 38, "A": 33, "E": 28}
    roots = {"A": 9, "D": 2, "E": 4}
    n_bars = 0
    head, *blocks = out.split("\n\n")
    assert head == (
        "A shuffle in A   A, 96 bpm, shuffle\n2.9 is chorus 2, bar 9.   1 . . 2 . . 3 . . 4 . .   3 places a beat"
    )
    for block in blocks:
        head, *rows = block.rstrip("\n").split("\n")
        heads = [word for word in head.split() if not word[0].isdigit()]
        for i, chord in enumerate(heads):
            pitches = []
            for row in rows:
                cell = row.split("|")[1 + i][:2].strip("-")
                if cell:
                    pitches.append(opens[row.strip()[0]] + int(cell))
            assert [pitch % 12 for pitch in pitches] == [roots[chord[0]]]
            n_bars += 1
    assert n_bars == 12


def test_tablature_shows_slides_and_straight_bars(command: Command) -> None:
    slid = command("line", "--key", "C", "--choruses", "2", "--device", "slide_in").out
    assert slid.splitlines()[1].endswith("3 places a beat; 4/ slides into the next note")
    rows = [line.split("|", 1) for line in slid.splitlines() if "|" in line]
    cells = [cell for _, row in rows for cell in re.findall(r"(\d+)/\|", row)]
    assert len(cells) >= 6 and all(int(cell) > 0 for cell in cells)
    straight = command("line", "--groove", "straight", "--choruses", "1").out.splitlines()
    assert straight[1].endswith("1 . . . 2 . . . 3 . . . 4 . . .   4 places a beat")
    assert all(len(line) <= 80 for line in straight)


def test_a_written_line_scores_as_perfect(command: Command, tmp_path: Path) -> None:
    """The line written as MIDI, read by the scorer through the file alone, has no fault."""
    path = tmp_path / "line.mid"
    assert command("line", "stage-opener", "--midi", path).status == 0
    card = json.loads(command("score", path, "--session", "stage-opener", "--json").out)
    assert card["take"]["choruses"] == 7
    assert abs(card["timing"]["mean_ms"]) < 0.5
    assert card["swing"]["ratio"] == pytest.approx(2.0, abs=0.01)
    assert card["landing"]["root_rate"] > 0.95


def test_what_is_odd_about_a_file_is_said(command: Command, tmp_path: Path) -> None:
    path = tmp_path / "line.mid"
    command("line", "--choruses", "2", "--midi", path)
    assert "Note:" not in command("score", path).out
    path.write_bytes(path.read_bytes()[:-300])
    (remark,) = json.loads(command("score", path, "--json").out)["take"]["remarks"]
    assert re.fullmatch(r"track \d is cut short; what came before the cut was read", remark)
    assert f"Note: {remark}" in command("score", path).out


def test_score_of_many_files(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "takes"
    folder.mkdir()
    for name in ("b", "a"):
        command("line", "--choruses", "2", "--midi", folder / f"{name}.mid")
    (folder / "c.mid").write_bytes(b"RIFF not MIDI")
    (folder / "note.txt").write_text("not a take", encoding="utf-8")
    done = command("score", folder, "--json-lines")
    assert done.status == 0
    rows = [json.loads(line) for line in done.out.splitlines()]
    assert [Path(row["file"]).name for row in rows] == ["a.mid", "b.mid", "c.mid"]
    assert "error" in rows[2] and set(rows[2]) == {"file", "error"}
    listed = json.loads(command("score", folder, "--json").out)
    assert listed == rows
    table = command("score", folder, "--csv").out.splitlines()
    assert len(table) == 4 and table[0].startswith("file,error,")
    words = command("score", folder)
    assert words.status == 0 and words.out.count("Time: ") == 2
    assert command("score", folder / "c.mid", folder / "c.mid", "--json-lines").status == 2


def test_main_exits_with_the_status() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "trainer", "chart", "nosuch"], capture_output=True, text=True, cwd=ROOT,
        env={**os.environ, "PYTHONUTF8": "1"},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("trainer: no session")


def test_a_stand_ins_drill_is_not_the_persons_practice(command: Command, tmp_path: Path) -> None:
    once = ("drill", "change_one_four", "--times", "1", "--stand-in")
    assert "on the root" in command(*once).out
    assert command("history").out.startswith("Nothing played yet")
    assert command(*once, "--takes", tmp_path / "shown").status == 0
    assert len(list((tmp_path / "shown").glob("*.mid"))) == 1


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_an_output_without_the_signs_gets_plain_ones(encoding: str, own_folders: Path) -> None:
    """Redirected output on Windows has an encoding of its own; nothing that is said may end the command."""
    env = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    done = subprocess.run(
        [sys.executable, "-m", "trainer", "demo", "--offline"], env=env, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode("utf-8" if encoding == "ascii" else encoding)
    assert "I->IV" in text or "I→IV" in text


def test_a_folder_for_takes_that_cannot_be_had_is_said_before_the_song(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "not-a-folder"
    file.write_text("", encoding="utf-8")
    for arguments in (("demo", "--offline"), ("play",)):
        done = command(*arguments, "--takes", file)
        assert done.status == 2 and "a file of that name is there; choose another folder with --takes" in done.err


def test_a_full_disk_is_not_the_programs_fault_nor_silence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    full = PlayResult("fault", warnings=("the take cannot be written anywhere: /takes: No space left on device",))
    own = PlayResult("fault", warnings=("fault of the program: KeyError: 1",))
    for result, status, said in ((full, 2, False), (own, 1, False), (PlayResult("completed"), 0, True)):
        monkeypatch.setattr("trainer.live.play", lambda session, options, result=result: result)
        sitting = Sitting(default_session(), "x", PlayOptions(), lambda session, options: options)
        assert sitting.run() == status
        assert ("No notes were heard" in capsys.readouterr().out) == said


def test_what_is_built_in_fits_a_terminal_of_eighty_columns(command: Command) -> None:
    forms, grooves = command("forms").out.splitlines(), command("grooves").out.splitlines()
    assert all(len(line) <= 80 for line in forms + grooves)
    first = {line.split()[0] for line in forms}
    assert first >= {*FORMS, *TURNAROUNDS, *STARTS, *ENDINGS}
    assert [line.split()[0] for line in grooves[1:]] == list(GROOVES)
    at = grooves[0].index("eighths")
    assert all(line[at - 1] == " " and line[at:].startswith(("swung ", "straight ")) for line in grooves[1:])
    grid = [line.split("|") for line in forms if "|" in line and "#iv" in line]
    assert [cell.strip() for cell in grid[0][1:5]] == ["IV7", "#iv°7", "I7", "VI7"]


def test_a_chart_says_how_it_starts_ends_and_who_else_plays(command: Command) -> None:
    lines = command("chart", "house-rules").out.splitlines()
    head = " ".join(line.strip() for line in lines[1:4])
    for words in (
        "starts from the turnaround", "pick-up of 2 beats", "tag three times", "guide bass every other chorus",
        "the band listens", "1 % faster by the end", "snare swings 2.1:1", "kick swings 1.9:1",
    ):  # fmt: skip
        assert words in head
    assert all(len(line) <= 80 for line in lines)
    assert sum("(pedal)" in line for line in lines) == 1
    assert sum(line.count("(stop)") for line in lines) == 8
    assert command("chart", "two-beat-by-the-door").out.splitlines()[1].startswith("Chorus 1")


def test_a_device_without_a_place_is_said(command: Command) -> None:
    done = command("line", "--choruses", "1", "--device", "turnaround_figure")
    assert done.status == 2
    assert "--device turnaround_figure: no bar here has a place for it; try --choruses 2" in done.err
    assert command("line", "--choruses", "2", "--device", "turnaround_figure").status == 0


def test_a_groove_alone_comes_at_a_tempo_of_its_own(command: Command) -> None:
    for name, groove in GROOVES.items():
        session = json.loads(command("chart", "--groove", name, "--json").out)["session"]
        assert groove.tempo_low_bpm <= session["tempo_bpm"] <= groove.tempo_high_bpm
        assert session["count_in_bars"] == (1 if name == "slow_twelve_eight" else 2)  # common practice: slow, one bar
    slow = json.loads(command("chart", "--bpm", "60", "--json").out)["session"]
    assert (slow["tempo_bpm"], slow["count_in_bars"]) == (60.0, 1)
    kept = json.loads(command("chart", "first-round", "--groove", "slow_twelve_eight", "--json").out)["session"]
    assert (kept["tempo_bpm"], kept["count_in_bars"]) == (84.0, 2)  # a file says its own

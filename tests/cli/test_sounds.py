"""A SoundFont and a guide line from the command line."""

from __future__ import annotations

import importlib.util
import wave
from collections.abc import Callable
from ctypes.util import find_library
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.band.tiny_font import write_tiny_font
from tests.cli.conftest import Outcome
from trainer import live
from trainer.line import model_line
from trainer.live import PlayOptions, PlayResult
from trainer.ports.audio import NO_OUTPUT
from trainer.session import Session, expand
from trainer.system import here

Command = Callable[..., Outcome]
needs_fluidsynth = pytest.mark.skipif(
    find_library("fluidsynth") is None or importlib.util.find_spec("fluidsynth") is None,
    reason="FluidSynth is not installed here",
)


def samples(path: Path) -> np.ndarray[Any, Any]:
    with wave.open(str(path)) as file:
        return np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")


@pytest.mark.parametrize("arguments", [("play", "--no-audio"), ("demo", "--offline"), ("render", "--wav", "out.wav")])
def test_a_broken_font_is_refused_before_anything_sounds(
    arguments: tuple[str, ...], command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(live, "play", lambda *_: pytest.fail("it began to play"))
    monkeypatch.setattr(live, "play_offline", lambda *_: pytest.fail("it began to play"))
    Path("broken.sf2").write_bytes(b"RIFF\x10\0\0\0WAVEfmt ")
    for name, says in (("broken.sf2", "found no SoundFont"), ("none.sf2", "cannot read the SoundFont")):
        done = command(*arguments, "--choruses", "1", "--soundfont", name)
        assert done.status == 2
        assert says in done.err
        assert len(done.err.strip().splitlines()) == 1
    assert not Path("out.wav").exists()


@needs_fluidsynth
def test_a_font_gives_the_sound_of_a_rendered_band(command: Command, tmp_path: Path) -> None:
    font = write_tiny_font(tmp_path / "mine.sf2")
    built_in, own = tmp_path / "a.wav", tmp_path / "b.wav"
    short = ("--choruses", "1", "--loop", "11-12", "--sample-rate", "16000")
    assert command("render", *short, "--wav", built_in).status == 0
    assert command("render", *short, "--wav", own, "--soundfont", font).status == 0
    a, b = samples(built_in), samples(own)
    n = min(len(a), len(b))
    assert np.abs(b).max() > 1000
    assert abs(np.corrcoef(a[:n], b[:n])[0, 1]) < 0.2


@needs_fluidsynth
def test_a_font_named_once_is_remembered_until_the_built_in_sounds_are_asked_for(
    command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    font = write_tiny_font(tmp_path / "mine.sf2")
    assert asked(command, monkeypatch, "--soundfont", str(font), audio=True)[1].soundfont == font
    assert asked(command, monkeypatch, audio=True)[1].soundfont == font
    done = command("play")
    assert f"Sounds: {font} (--soundfont built-in: the built-in ones again)." in done.out
    # Damaged or gone since: one line, and the built-in sounds play.
    font.write_bytes(font.read_bytes()[:-100])
    done = command("play")
    assert done.status == 0 and not done.err.replace(f"Note: {NO_OUTPUT}\n", "")
    assert "get the whole file again. The built-in sounds play" in done.out
    assert asked(command, monkeypatch, audio=True)[1].soundfont is None
    write_tiny_font(font)
    assert asked(command, monkeypatch, audio=True)[1].soundfont == font
    assert asked(command, monkeypatch, "--soundfont", "built-in", audio=True)[1].soundfont is None
    assert asked(command, monkeypatch, audio=True)[1].soundfont is None


@needs_fluidsynth
def test_a_font_on_the_machine_is_offered_and_not_taken(
    command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    places = tmp_path / "sf2"
    monkeypatch.setattr(type(here()), "soundfont_folders", (str(places),))
    monkeypatch.setattr(live, "play", lambda *_: PlayResult("completed"))
    assert "Sounds: built in.\n" in command("play").out
    done = command("play", "--soundfont", "found")
    assert done.status == 2 and "no SoundFont is in the places" in done.err
    places.mkdir()
    (places / "a broken one.sf2").write_bytes(b"RIFF")
    font = write_tiny_font(places / "whole.sf2")
    assert (
        f"Sounds: built in. A SoundFont is here too, {font}: --soundfont found plays it from now on."
        in command("play").out
    )
    assert asked(command, monkeypatch, audio=True)[1].soundfont is None
    assert asked(command, monkeypatch, "--soundfont", "found", audio=True)[1].soundfont == font
    assert asked(command, monkeypatch, audio=True)[1].soundfont == font


def asked(
    command: Command, monkeypatch: pytest.MonkeyPatch, *arguments: str, audio: bool = False
) -> tuple[Session, PlayOptions]:
    """What `trainer play` would hand to the running session."""
    seen: list[tuple[Session, PlayOptions]] = []

    def play(session: Session, options: PlayOptions) -> PlayResult:
        seen.append((session, options))
        return PlayResult("completed")

    monkeypatch.setattr(live, "play", play)
    done = command("play", *(() if audio else ("--no-audio",)), *arguments)
    assert done.status == 0, done.err
    return seen[0]


def test_the_guide_bass_is_asked_for(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    for guide in ("off", "on", "every_other"):
        session, options = asked(command, monkeypatch, "--guide", guide)
        assert (session.guide, options.guide, options.guide_line) == (guide, None, None)
    session, options = asked(command, monkeypatch, "--guide-line", "boogie_figure", "--key", "A")
    made = model_line(expand(session), device="boogie_figure", seed=session.seed)
    assert options.guide == "on"
    assert options.guide_line == made.rows()
    session, options = asked(command, monkeypatch, "--guide", "every_other", "--guide-line", "song")
    assert (session.guide, options.guide) == ("every_other", None)
    assert options.guide_line
    done = command("play", "--guide-line", "boogie")
    assert done.status == 2
    assert 'did you mean "boogie_figure"?' in done.err


def test_parts_are_mixed_from_the_start(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    _, options = asked(command, monkeypatch, "--volume", "drums=0.5", "--mute", "lead", "--solo", "drums")
    gains = dict(
        zip(("drums", "keys", "chop", "lead", "guide", "count"), live.options.part_gains(options.mix), strict=True)
    )
    assert gains == {"drums": 0.25, "keys": 0.0, "chop": 0.0, "lead": 0.0, "guide": 0.0, "count": 1.0}


def test_a_band_that_listens_is_asked_for(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    assert asked(command, monkeypatch)[0].listen is False
    assert asked(command, monkeypatch, "--listen")[0].listen is True
    assert asked(command, monkeypatch, "--listen", "--no-listen")[0].listen is False


def test_a_line_is_heard_with_the_band(command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    line, roots = tmp_path / "line.wav", tmp_path / "band.wav"
    short = ("--choruses", "1", "--loop", "11-12", "--key", "A")
    done = command("line", *short, "--device", "walking_line", "--wav", line)
    assert done.status == 0
    assert done.out.strip() == f"wrote {line}"
    assert command("render", *short, "--wav", roots).status == 0
    with_line, without = samples(line).astype(np.float64), samples(roots).astype(np.float64)
    n = min(len(with_line), len(without))
    assert np.std(with_line[:n] - without[:n]) > 100  # the same band, and a bass

    seen: list[tuple[Session, PlayOptions]] = []

    def play(session: Session, options: PlayOptions) -> PlayResult:
        seen.append((session, options))
        return PlayResult("stopped")

    monkeypatch.setattr(live, "play", play)
    assert command("line", *short, "--device", "walking_line", "--play").status == 0
    ((session, options),) = seen
    assert options.guide == "on"
    assert options.guide_line == model_line(expand(session), device="walking_line", seed=session.seed).rows()
    assert not options.record

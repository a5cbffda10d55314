"""A foot switch on a port of its own, over real MIDI ports: obeyed while the band plays, never in the take."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from tests.engine.on_a_terminal import on_terminal, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from trainer.take import read_take

pytestmark = pytest.mark.jack
SONG = ["--bpm", "240", "--loop", "1-12", "--choruses", "2", "--no-audio"]


def test_a_pedal_plays_it_again_marks_a_bar_and_is_missed_by_nobody_when_pulled(
    jack_server: JackServer, tmp_path: Path
) -> None:
    config, takes = tmp_path / "config", tmp_path / "takes"
    config.mkdir()
    board = {"port": "board:out", "kind": "controller", "channel": 0, "port_alone": True}
    switches = [{**board, "action": "again", "number": 64}, {**board, "action": "mark", "number": 66}]
    (config / "pedals.json").write_text(json.dumps({"switches": switches}), encoding="utf-8")
    env = {**jack_server.env(), "TRAINER_CONFIG_DIR": str(config), "TRAINER_LOG_DIR": str(tmp_path / "log")}
    with (
        JackSender(jack_server, "bass") as bass,
        JackSender(jack_server, "board") as foot,
        on_terminal(["play", *SONG, "--takes", str(takes)], env) as run,  # the bass is the only input left
    ):
        bass.wait_connected()
        foot.wait_connected()
        run.wait_screen()
        time.sleep(2.5)  # the count-in
        bass.play([(0.0, "902864"), (0.2, "802800")])
        bass.wait_played(90.0)
        # Sostenuto: that one; a note, as some boards send; sustain: again.
        foot.play(
            [(1.5, "b0427f"), (1.6, "b04200"), (1.7, "903264"), (1.8, "803200"), (2.0, "b0407f"), (2.1, "b04000")]
        )
        wait_until(lambda: run.text.count("\x1b[?1049h") == 2, "the second run")
        assert "board:out: marked" in run.words
        foot.wait_played(90.0)
        foot.close()
        wait_until(lambda: 'pedal "board:out" has gone' in run.words, "the loss to be said")
        run.type("q")
        assert run.wait() == 0
    (first,) = takes.glob("*.mid")
    take = read_take(first)
    assert take.notes["pitch"].tolist() == [40]
    assert len(take.header.extra["marked"]) == 1

"""Calibration end to end: known delays through the engine's own path give figures that cover them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from time import perf_counter_ns

import numpy as np
import pytest

from tests.cli.conftest import Outcome
from tests.engine.on_a_terminal import on_terminal, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from trainer.cli.calibrating import (
    STRINGS,
    calibration_key,
    click_rows,
    click_session,
    clicks_of,
    fit_take,
    stored_calibration,
    words_of,
)
from trainer.clock.tempo import TempoMap
from trainer.live import PlayOptions, play_offline
from trainer.session import expand
from trainer.settings import PortSettings, load_port, save_port
from trainer.take import Calibration, Take

Command = Callable[..., Outcome]
OPEN = {"E": 28, "A": 33, "D": 38, "G": 43}


def taken(profile: str, base_ms: float, periods: float, jitter_ms: float, seed: int = 3) -> Take:
    """Notes played to the click on a fake clock, reported `base + periods/f0` late with a person's jitter."""
    session = click_session(profile, 64, 80.0)
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    rng = np.random.default_rng(seed)
    messages = []
    for i in range(64):
        root = chart.bars[i // 4].chords[0].root
        pitch = OPEN[root] + (i % 16) % 13 if profile == "strings" else 40
        hz = 440.0 * 2.0 ** ((pitch - 69) / 12)
        late_s = (base_ms + rng.normal(0.0, jitter_ms)) / 1000.0 + periods / hz
        at_s = float(tempo.seconds_at(float(i))) + late_s
        messages += [(at_s, bytes((0x90, pitch, 90))), (at_s + 0.2, bytes((0x80, pitch, 0)))]
    return play_offline(session, messages, PlayOptions(guide="on", guide_line=click_rows(session)))


def test_the_chart_of_the_calibration_names_the_strings() -> None:
    chart = expand(click_session("strings", 64, 80.0))
    roots = [bar.chords[0].root for bar in chart.bars]
    assert roots[:-1] == [name for name in STRINGS for _ in range(4)][:-1]
    assert len(click_rows(chart.session)) == 64


def test_clicks_are_every_beat_as_the_engine_meant_them() -> None:
    take = taken("pad", 0.0, 0.0, 0.0)
    clicks = clicks_of(take)
    assert len(clicks) == 64
    assert np.diff(clicks) == pytest.approx(0.75, abs=1e-9)
    assert abs(clicks[0]) < 0.003


def test_taps_give_their_lateness() -> None:
    fit = fit_take(taken("pad", 31.0, 0.0, 6.0), "pad")
    assert fit.n == 64 and fit.periods is None
    assert fit.base_ci95_ms is not None
    assert fit.base_ci95_ms[0] < 31.0 < fit.base_ci95_ms[1]
    assert fit.base_ci95_ms[1] - fit.base_ci95_ms[0] < 6.0


def test_strings_give_base_and_periods() -> None:
    fit = fit_take(taken("strings", 9.0, 2.2, 4.0), "strings")
    assert fit.base_ci95_ms is not None and fit.periods_ci95 is not None
    assert fit.base_ci95_ms[0] < 9.0 < fit.base_ci95_ms[1]
    assert fit.periods_ci95[0] < 2.2 < fit.periods_ci95[1]


def test_words_say_the_figure_its_doubt_and_the_habit() -> None:
    lines = words_of(fit_take(taken("pad", 31.0, 0.0, 6.0), "pad"), 5.8)
    text = " ".join(lines)
    assert "from 64 notes" in text and "(95 %: " in text
    assert "states 5.8 ms of its own" in text
    assert "ahead of a click" in text


def test_a_calibration_is_found_again_for_its_output_and_monitor_only() -> None:
    made = Calibration(base_ms=12.5, periods=2.1, base_ci95_ms=(11.0, 14.0), monitor=True, n=50, ports=("bass", "none"))
    from dataclasses import asdict

    save_port(PortSettings("bass", calibrations={calibration_key("none", True): asdict(made)}))
    known = load_port("bass")
    assert known is not None
    assert stored_calibration(known, "none", True) == made
    assert stored_calibration(known, "none", False) is None


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--clicks", "3"), "--clicks 3: expected a whole number from 8 to 256"),
        (("--profile", "string"), 'did you mean "strings"?'),
        (("--no-audio",), "nothing to hear a click from"),
    ],
)
def test_refusals(command: Command, arguments: tuple[str, ...], says: str) -> None:
    done = command("calibrate", *arguments)
    assert done.status == 2
    assert says in done.err and done.err.count("\n") == 1


@pytest.mark.jack
def test_calibrate_on_real_ports(jack_server: JackServer, own_folders: Path) -> None:
    """A far end plays evenly, 30 ms after the click it heard, through JACK; the figure is kept for the port."""
    arguments = ["calibrate", "--midi-in", "bass", "--midi-out", "bass", "--no-audio", "--bpm", "160", "--clicks", "24"]
    with JackSender(jack_server, "bass") as far, on_terminal(arguments, jack_server.env()) as program:
        far.wait_connected()
        clicks: list[int] = []

        def a_click_was_heard() -> bool:
            clicks.extend(host_ns for host_ns, _, data in far.heard() if data.startswith("9") and data[-2:] != "00")
            return bool(clicks)

        wait_until(a_click_was_heard, "the count-in's first click")
        beat_s = 60.0 / 160.0
        events = []
        for i in range(26):
            events += [(i * beat_s, "902864"), (i * beat_s + 0.1, "802800")]
        # In time with the click, 30 ms after it, from the first click that is far enough ahead.
        since_s = (perf_counter_ns() - clicks[0]) * 1e-9
        first = math.ceil((since_s + 0.3) / beat_s)
        far.play(events, lead_s=first * beat_s + 0.03 - since_s)
        wait_until(lambda: program.process.poll() is not None, "the calibration to end", 60.0)
        assert program.process.returncode == 0, program.text
    (path,) = (own_folders / "config" / "ports").iterdir()
    kept = json.loads(path.read_text(encoding="utf-8"))["calibrations"]["none|monitor"]
    # How exact it is on a quiet machine is the engine's own test; here: the whole way round, and the right figure.
    assert kept["n"] >= 8
    assert kept["output_ms"] is None
    low, high = kept["base_ci95_ms"]
    assert low <= kept["base_ms"] <= high
    assert 15.0 < kept["base_ms"] < 90.0

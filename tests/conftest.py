"""Fixtures for every test, and which of them are live, in a browser, or long.

The inner loop is `pytest -m "not live and not browser and not long"`. What is live or in a browser shows by the
fixtures that a test asks for; what is long stands here, a module or folder a line, to be measured anew.
"""

import re
from functools import cache
from pathlib import Path

import pytest

from tests.jack_server import jack_server

__all__ = ["jack_server"]

# Each costs more than some seconds of processor time altogether.
LONG = (
    "band/",
    "batch/test_batch.py",
    "cli/test_again.py",
    "cli/test_between_runs.py",
    "cli/test_class.py",
    "cli/test_demo.py",
    "cli/test_escapes.py",
    "cli/test_hear.py",
    "cli/test_last.py",
    "cli/test_practice_room.py",
    "cli/test_practising.py",
    "cli/test_sounds.py",
    "cli/test_streams.py",
    "clock/test_fit.py",
    "clock/test_midi_clock.py",
    "engine/test_listening.py",
    "engine/test_offline.py",
    "hearing/",
    "line/",
    "page/",
    "practice/",
    "report/test_notation.py",
    "report/test_page.py",
    "report/test_paper.py",
    "report/test_transcription.py",
    "scoring/test_beat.py",
    "scoring/test_coverage.py",
    "scoring/test_devices.py",
    "scoring/test_devices_written.py",
    "scoring/test_form.py",
    "scoring/test_human.py",
    "scoring/test_latency.py",
    "scoring/test_odd_players.py",
    "scoring/test_strangers.py",
    "scoring/test_verdict.py",
    "system/test_edges.py",
    "system/test_played_on_windows.py",
    "system/test_windows.py",
    "take/test_downbeat.py",
    "take/test_fuzz.py",
    "take/test_journal.py",
    "take/test_lily.py",
    "take/test_midi_file.py",
    "take/test_rehearing.py",
    "take/test_sound_file.py",
    "test_structures.py",
)
LIVE = {"jack_server"}
BROWSER = {"browser"}
HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        asked = set(getattr(item, "fixturenames", ()))
        if asked & LIVE or item.get_closest_marker("jack"):
            item.add_marker(pytest.mark.live)
        if asked & BROWSER:
            item.add_marker(pytest.mark.browser)
        if item.path.is_relative_to(HERE) and item.path.relative_to(HERE).as_posix().startswith(LONG):
            item.add_marker(pytest.mark.long)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """With `-n`: file by file, but those that may play in real time or need a browser in one row, one at a time."""
    from xdist.scheduler import LoadScopeScheduling

    class FileByFile(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return _row_of(nodeid.partition("::")[0])

    return FileByFile(config, log)


@cache
def _row_of(file: str) -> str:
    words = set(re.findall(r"\w+", (HERE.parent / file).read_text("utf-8")))
    return "in real time" if words & (LIVE | BROWSER) else file

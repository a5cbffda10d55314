"""Fixtures for every test, and which of them are live, in a browser, or long.

The inner loop is `pytest -m "not live and not browser and not long"`. What is live or in a browser shows by the
fixtures that a test asks for; what is long stands here, a module or folder a line, to be measured anew.
"""

from pathlib import Path

import pytest

from tests.jack_server import jack_server

__all__ = ["jack_server"]

# Each costs more than some seconds of processor time altogether.
LONG = (
    "band/",
    "batch/test_batch.py",
    "cli/test_again.py",
    "cli/test_demo.py",
    "cli/test_hear.py",
    "cli/test_practice_room.py",
    "cli/test_practising.py",
    "hearing/",
    "line/",
    "page/",
    "practice/",
    "report/test_notation.py",
    "report/test_page.py",
    "scoring/test_coverage.py",
    "scoring/test_devices_written.py",
    "scoring/test_form.py",
    "scoring/test_human.py",
    "scoring/test_latency.py",
    "scoring/test_strangers.py",
    "scoring/test_verdict.py",
    "take/test_fuzz.py",
    "take/test_lily.py",
    "take/test_rehearing.py",
    "take/test_sound_file.py",
)
LIVE = {"jack_server"}
BROWSER = {"browser"}
HERE = Path(__file__).parent


@pytest.hookimpl(tryfirst=True)  # the sharing out reads the groups in a hook of its own
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        asked = set(getattr(item, "fixturenames", ()))
        if asked & LIVE or item.get_closest_marker("jack"):
            item.add_marker(pytest.mark.live)
        if asked & BROWSER:
            item.add_marker(pytest.mark.browser)
        if item.path.is_relative_to(HERE) and item.path.relative_to(HERE).as_posix().startswith(LONG):
            item.add_marker(pytest.mark.long)
        # Shared out over processes (`-n auto`): what plays in real time stays in one row, the rest goes file by file.
        in_a_row = item.get_closest_marker("live") or item.get_closest_marker("browser")
        item.add_marker(pytest.mark.xdist_group("live" if in_a_row else item.path.name))

"""Fixtures for every test, and which of them are live, in a browser, or long.

The inner loop is `pytest -m "not live and not browser and not long"`. What is live or in a browser shows by the
fixtures that a test asks for; what is long stands here, a module or folder a line, to be measured anew.

What plays in real time has the machine to itself as far as that goes: with `-n` all of it is one row, together with
what needs a browser (which, beside it, made the server stumble), and every other test gives way to it. Where the sound
server all the same stood still during a test that failed, as its own log says, the test is run again: such a machine
has shown nothing of the program.
"""

import os
import re
from functools import cache
from pathlib import Path

import pytest

from tests.jack_server import jack_server, n_stumbles

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
JACK = {"jack"}  # the marker of what asks for a server by another fixture
BROWSER = {"browser"}
SCHEDULING = {"without_rights"}  # what asks for a place before others cannot have given way to them
HERE = Path(__file__).parent
IN_REAL_TIME = "in real time"

_n_before = 0


def _stumbled() -> bool:
    return n_stumbles() > _n_before


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        asked = set(getattr(item, "fixturenames", ()))
        if asked & LIVE or item.get_closest_marker("jack"):
            item.add_marker(pytest.mark.live)
            item.add_marker(pytest.mark.flaky(reruns=3, condition=_stumbled))
        if asked & BROWSER:
            item.add_marker(pytest.mark.browser)
        if item.path.is_relative_to(HERE) and item.path.relative_to(HERE).as_posix().startswith(LONG):
            item.add_marker(pytest.mark.long)


def pytest_runtest_setup(item: pytest.Item) -> None:
    global _n_before
    _n_before = n_stumbles()
    if "PYTEST_XDIST_WORKER" in os.environ and _row_of(item.nodeid.partition("::")[0]) != IN_REAL_TIME:
        _give_way()


@cache
def _give_way() -> None:
    """From now on this worker runs only where no other has work (Linux: a session of its own, for the grouping by
    sessions, then the idle class); once for good, since without rights there is no way back."""
    if not hasattr(os, "SCHED_IDLE"):
        return
    if os.getpid() not in (os.getsid(0), os.getpgid(0)):
        os.setsid()
    group = Path("/proc/self/autogroup")
    if os.getpid() == os.getsid(0) and group.exists():
        group.write_text("19", encoding="ascii")
    os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: the row in real time mostly waits."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """With `-n`: file by file, but those that may play in real time or need a browser in one row, begun at once; then
    what is long, so that no processor waits for one file in the end."""
    from xdist.scheduler import LoadScopeScheduling

    class FileByFile(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return _row_of(nodeid.partition("::")[0])

        def _assign_work_unit(self, node: object) -> None:
            long = [row for row in self.workqueue if row.removeprefix(f"{HERE.name}/").startswith(LONG)]
            for row in (*reversed(long), IN_REAL_TIME):
                if row in self.workqueue:
                    self.workqueue.move_to_end(row, last=False)
            super()._assign_work_unit(node)

    return FileByFile(config, log)


@cache
def _row_of(file: str) -> str:
    words = set(re.findall(r"\w+", (HERE.parent / file).read_text("utf-8")))
    return IN_REAL_TIME if words & (LIVE | JACK | BROWSER | SCHEDULING) else file

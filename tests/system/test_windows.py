"""Windows' edges against a stand-in that behaves as Windows is documented to (`tests/fakes/windows.py`)."""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path, PureWindowsPath
from typing import Any

import pytest

from tests.fakes.windows import Console, Libraries
from trainer.live.keys import CharReader
from trainer.live.terminal import KeySource
from trainer.system import use
from trainer.system.windows import Windows

CLOSE, LOGOFF, SHUTDOWN, CTRL_C = 2, 5, 6, 0
PAGE_DOWN, UP, F1 = "\xe0Q", "\xe0H", "\x00;"


@pytest.fixture
def libraries() -> Libraries:
    return Libraries()


@pytest.fixture
def console() -> Console:
    return Console()


@pytest.fixture
def windows(libraries: Libraries, console: Console, monkeypatch: pytest.MonkeyPatch) -> Any:
    """This machine as Windows: the fakes, and none of what Windows lacks."""
    for name in ("nice", "sched_getaffinity", "sched_setscheduler", "posix_fallocate", "setsid", "getpgid"):
        monkeypatch.delattr(os, name, raising=False)
    for name in ("termios", "fcntl", "tty", "pty", "resource", "select"):
        monkeypatch.setitem(sys.modules, name, None)  # importing it fails; select takes sockets only there
    made = Windows(libraries, console)
    use(made)
    yield made
    use(None)


def test_keys_are_read_without_a_pipe_however_long_the_song(
    windows: Windows, console: Console, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trainer.live.terminal.stdin_is_terminal", lambda: True)
    monkeypatch.setattr(os, "pipe", lambda: pytest.fail("a pipe beside a console is never read"))
    with KeySource() as keys:
        got = b""
        for key in ("p", PAGE_DOWN, "à", "q"):
            console.press(key)
            until = time.monotonic() + 5.0
            while console.typed and time.monotonic() < until:
                time.sleep(0.002)
        with contextlib.suppress(queue.Empty):
            while b"q" not in got:
                got += keys.queue.get(timeout=1.0)[1]
        assert keys.stamp_error_ms() is None
    assert got == "p\x1b[6~àq".encode()
    assert [char.char for char in CharReader().feed(0, got)] == ["p", "page down", "q"]  # à is no command and no note
    assert not any(thread.name in ("keys", "key probe") for thread in threading.enumerate())


@pytest.mark.parametrize(
    ("pressed", "read"),
    [
        (["q"], "q"),
        ([PAGE_DOWN], "\x1b[6~"),
        ([UP, "w"], "\x1b[Aw"),
        ([F1], ""),
        (["à"], "à"),
        (["\r"], "\r"),
        ([], ""),
    ],
)
def test_arrows_and_page_keys_come_as_elsewhere_and_function_keys_are_none(
    windows: Windows, console: Console, pressed: list[str], read: str
) -> None:
    console.press(*pressed)
    keyboard = windows.keyboard()
    assert "".join(keyboard.poll() for _ in range(4)) == read and not console.typed


@pytest.mark.parametrize("event", [CLOSE, LOGOFF, SHUTDOWN])
def test_a_console_that_closes_waits_until_everything_is_put_away(
    windows: Windows, libraries: Libraries, event: int
) -> None:
    told: list[str] = []
    with windows.signals_into(told.append, ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP")):
        ends = libraries.send(event)
        ends.join(0.2)
        assert told == ["SIGHUP"] and ends.is_alive()  # the process lives on meanwhile
        ctrl_c = libraries.send(CTRL_C)
        ctrl_c.join(1.0)
        assert told == ["SIGHUP"] and not ctrl_c.is_alive()  # left to the signal of that name
    ends.join(1.0)
    assert not ends.is_alive() and not libraries.handlers


def test_a_child_shares_no_console(windows: Windows) -> None:
    flags = windows.apart()["creationflags"]
    assert flags & 0x0800_0000, "CREATE_NO_WINDOW"
    assert flags & 0x0000_0200, "CREATE_NEW_PROCESS_GROUP"
    assert not flags & 0x0000_0018, "neither DETACHED_PROCESS nor CREATE_NEW_CONSOLE"


def test_the_page_stands_back_without_nice(windows: Windows, libraries: Libraries) -> None:
    windows.stand_back()
    assert libraries.priority_class == 0x4000


@pytest.mark.parametrize(("granted", "word"), [(True, "pro audio"), (False, "priority")])
def test_what_is_granted_is_told_and_given_back(granted: bool, word: str) -> None:
    libraries = Libraries(pro_audio=granted)
    system = Windows(libraries, Console())
    assert system.hurry() == f"{word}, 1 ms timers"
    assert libraries.timers == [1] and libraries.classes == ["Pro Audio"]
    assert libraries.priorities == ([] if granted else [15])
    system.relax()
    system.relax()
    assert libraries.timers == [] and libraries.classes == ([] if granted else ["Pro Audio"])


def test_the_display_is_held_and_let_go_in_one_thread(windows: Windows, libraries: Libraries) -> None:
    with windows.awake() as told:
        assert told == "execution state"
        assert libraries.execution_states == [(threading.get_ident(), 0x8000_0003)]
    assert libraries.execution_states[1:] == [(threading.get_ident(), 0x8000_0000)]


def test_a_step_of_the_calendar_is_no_sleep(
    windows: Windows, libraries: Libraries, monkeypatch: pytest.MonkeyPatch
) -> None:
    before_ns = windows.boot_ns()
    monkeypatch.setattr(time, "time_ns", lambda: 10**19)
    assert windows.boot_ns() == before_ns == 5_000_000_000
    libraries.ticks_ms = 2**33  # after a hundred days
    assert windows.boot_ns() == 2**33 * 1_000_000


def test_a_mapping_by_name_leaves_no_file(windows: Windows, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    made: list[tuple[int, int, str]] = []
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("mmap.mmap", lambda fd, n, *, tagname: made.append((fd, n, tagname)))
    address, _ = windows.make_shared(1 << 20)
    windows.open_shared(address, 1 << 20)
    windows.forget_shared(address)
    assert made == [(-1, 1 << 20, address)] * 2 and address.startswith("Local\\")
    assert not list(tmp_path.iterdir())


def test_a_file_that_a_viewer_holds_is_waited_for_then_said(
    windows: Windows, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from trainer.errors import UsageError
    from trainer.report.files import write_page

    (tmp_path / "chart.pdf").write_text("old")
    real, tries = os.replace, 0

    def held(source: Any, target: Any) -> None:
        nonlocal tries
        tries += 1
        if tries <= 3:
            raise PermissionError(errno.EACCES, "The process cannot access the file", str(target))
        real(source, target)

    monkeypatch.setattr(os, "replace", held)
    write_page("new", tmp_path / "chart.pdf")
    assert (tmp_path / "chart.pdf").read_text() == "new" and tries == 4
    tries = -1_000_000
    with pytest.raises(UsageError, match=r"chart\.pdf: another program has it open; close it there"):
        write_page("newer", tmp_path / "chart.pdf")
    assert [path.name for path in tmp_path.iterdir()] == ["chart.pdf"]


def test_a_lock_that_another_holds_is_refused(windows: Windows, tmp_path: Path) -> None:
    with (tmp_path / "journal").open("wb") as one:
        assert windows.lock(one.fileno())
        assert not windows.lock(one.fileno())


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (r"C:\Users\ann\takes\a.mid", r"C:\Users\ann\takes\a.mid"),
        (r"C:\Users\Ann Lee\takes\a.mid", r'"C:\Users\Ann Lee\takes\a.mid"'),
        (r"C:\Users\ann\a&b.mid", r'"C:\Users\ann\a&b.mid"'),
        (r"C:\Users\ann\(1).mid", r'"C:\Users\ann\(1).mid"'),
    ],
)
def test_a_path_can_be_pasted(windows: Windows, path: str, text: str) -> None:
    assert windows.pasted(PureWindowsPath(path)) == text  # type: ignore[arg-type]


def test_a_folder_that_is_put_elsewhere_is_told_by_where_it_is(windows: Windows, tmp_path: Path) -> None:
    (tmp_path / "package").mkdir()
    try:
        (tmp_path / "takes").symlink_to(tmp_path / "package", target_is_directory=True)
    except OSError:
        pytest.skip("no right to make links")
    assert windows.as_others_see(tmp_path / "takes") == (tmp_path / "package").resolve()


@pytest.mark.parametrize(("before", "after"), [(3, 7), (7, 7), (None, None)])
def test_a_console_is_told_to_obey_escapes(before: int | None, after: int | None) -> None:
    libraries = Libraries(console_mode=before)
    Windows(libraries, Console()).obey_escapes()
    assert libraries.console_mode == after


_WRITER = """
import io, os, sys
from tests.fakes.windows import Console, Libraries
from trainer.system import use
from trainer.system.windows import Windows
use(Windows(Libraries(), Console()))
for stream in (sys.stdout, sys.stderr):
    stream.reconfigure(encoding="cp1252")
from trainer.cli.run import run
sys.exit(run(sys.argv[1:]))
"""


@pytest.mark.parametrize("command", [["sessions", "--json"], ["chart", "--json"], ["drills", "--json"]])
def test_json_in_a_file_is_ascii_and_other_text_is_utf_8(command: list[str]) -> None:
    import json

    done = subprocess.run([sys.executable, "-c", _WRITER, *command], capture_output=True, check=True, timeout=120)
    assert done.stdout.isascii() and json.loads(done.stdout)
    plain = subprocess.run([sys.executable, "-c", _WRITER, "grooves"], capture_output=True, check=True, timeout=120)
    assert "–" in plain.stdout.decode("utf-8")


def test_a_reader_that_has_seen_enough_is_no_fault(windows: Windows) -> None:
    assert windows.is_broken_pipe(BrokenPipeError(errno.EPIPE, "Broken pipe"))
    assert windows.is_broken_pipe(OSError(errno.EINVAL, "Invalid argument"))
    assert not windows.is_broken_pipe(OSError(errno.ENOSPC, "No space left on device"))

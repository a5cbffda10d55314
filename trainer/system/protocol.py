"""What the program asks of an operating system."""

from __future__ import annotations

import mmap
import os
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Protocol

__all__ = ["Keyboard", "System"]


class Keyboard(Protocol):
    """The terminal's keys, one by one, without waiting for Enter. Made by `System.keyboard`, ended by `close`."""

    late_ns: list[int]
    """How late keys were seen, as far as it is measured while `wait` is used: ns, in no order."""

    def take(self) -> None:
        """Characters one by one, without echo; Ctrl-C, and Ctrl-Z where there is one, still signal."""
        ...

    def give_back(self) -> None:
        """The terminal as it was; `take` takes it again."""
        ...

    def wait(self) -> tuple[int, bytes] | None:
        """The next keys, as the UTF-8 that a terminal sends, and the moment (`perf_counter_ns`) at which they were
        there; None when no more will come. For one thread.
        """
        ...

    def poll(self) -> str:
        """A key that has been pressed, or "" at once; the end of standard input is "q"."""
        ...

    def close(self) -> None:
        """Give back, and let whoever waits go; idempotent."""
        ...


class System(Protocol):
    """One operating system. `name` is what a person calls it."""

    name: str

    # --- the terminal -------------------------------------------------------------------------------------------------

    def keyboard(self) -> Keyboard: ...

    def obey_escapes(self) -> None:
        """Have the terminal of standard output obey escape sequences, where it has to be told."""
        ...

    redirected_encoding: str | None
    """How text is written to a pipe or a file, where the system's own habit would lose signs; None: as it is."""

    def is_broken_pipe(self, error: OSError) -> bool:
        """Whether a write failed since nobody reads any more."""
        ...

    # --- names of ports -----------------------------------------------------------------------------------------------

    port_name_limit: int | None
    """The most characters of a MIDI port's name that the system tells; None without a limit."""

    def port_forms(self, name: str) -> tuple[str, ...]:
        """A MIDI port's name from what is listed now to what stays of it for good: what the system numbers anew when
        ports come and go is taken away piece by piece. The last one is what is remembered.
        """
        ...

    def port_as_watched(self, name: str) -> str:
        """What of a listed name stays the same for as long as its port is connected."""
        ...

    def keep_ports_listed(self, first_client: Callable[[], Any]) -> None:
        """Call it once, before anything else is asked of the MIDI system: sees to it that lists of ports stay true as
        ports come and go. `first_client` makes a client of the MIDI system.
        """
        ...

    audio_interfaces: tuple[str, ...]
    """Host interfaces of the sound library, best first: only the first that has devices is used. Empty: all are."""

    # --- processes ----------------------------------------------------------------------------------------------------

    def apart(self) -> dict[str, Any]:
        """Options of `subprocess.Popen` for a process that the terminal's signals and end do not reach."""
        ...

    def n_processors(self) -> int:
        """How many processors this process may use."""
        ...

    def keep_to(self, processor: int) -> None:
        """Keep the calling thread to one of the processors that it may use, counted from 0; where that can be asked."""
        ...

    def stand_back(self) -> None:
        """Let this process come behind the others; never raises."""
        ...

    def signals_into(self, note: Callable[[str], None], names: Sequence[str]) -> AbstractContextManager[None]:
        """While inside, what would end or suspend the program is told to `note` by its name instead: those of "SIGINT",
        "SIGTERM", "SIGHUP" (the terminal or the session has gone) and "SIGTSTP" that are wanted and exist. Outside the
        main thread nothing is.
        """
        ...

    def suspend(self) -> None:
        """Stop this program until the person goes on with it (after "SIGTSTP")."""
        ...

    # --- memory and files ---------------------------------------------------------------------------------------------

    def make_shared(self, n_bytes: int) -> tuple[str, mmap.mmap]:
        """Zeroed memory that another process can open, and its address. `OSError` when there is no room."""
        ...

    def open_shared(self, address: str, n_bytes: int) -> mmap.mmap: ...

    def forget_shared(self, address: str) -> None:
        """Nobody else will open it: nothing is left of it when those who have it let go. Never raises."""
        ...

    def replace(self, source: str | os.PathLike[str], target: str | os.PathLike[str]) -> None:
        """`os.replace`; `PermissionError` that says so when another program keeps the target open."""
        ...

    removes_open_files: bool
    """Whether a file that is open can be removed."""

    def lock(self, fd: int) -> bool:
        """Lock an open file for this process's handle on it, at once; False if another holds it."""
        ...

    def as_others_see(self, folder: Path) -> Path:
        """Where a folder of ours is for other programs."""
        ...

    def pasted(self, path: Path) -> str:
        """A path as it can be pasted into a command line."""
        ...

    def soundfonts(self) -> list[Path]:
        """SoundFont files in the places where this system keeps them, a default first; not looked into."""
        ...

    # --- time ---------------------------------------------------------------------------------------------------------

    def boot_ns(self) -> int:
        """A clock that only rises and keeps counting while the machine sleeps."""
        ...

    def hurry(self, *, behind: bool = False) -> str:
        """Ask for this thread, and those beside it, to run on time; what was granted in a word or two, "none" if
        nothing. Call it in the loop's own thread, when the others have been started. `behind`: this process's threads
        all come after the engine's own, where the system has ranks for that.
        """
        ...

    def may_hurry(self) -> bool:
        """Whether `hurry` may hope for more than the scheduler's goodwill. May wait a moment."""
        ...

    def relax(self) -> None:
        """Give back what `hurry` was granted, in the same thread; never raises."""
        ...

    def awake(self) -> AbstractContextManager[str]:
        """While inside, the display stays on; gives by what means, or why it may not. Leave it in the same thread."""
        ...

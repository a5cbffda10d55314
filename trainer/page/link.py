"""The front's end of the stand page: starts the page's process, hands it the newest place, never waiting for it, and
hears what is pressed there.
"""

from __future__ import annotations

import contextlib
import json
import secrets
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any, Literal

from trainer.errors import PortError, UsageError
from trainer.plain import plain
from trainer.screen import ScreenState, round_word
from trainer.session import Chart
from trainer.settings import open_log
from trainer.system import here

__all__ = ["Between", "PageLink", "PagePress", "SongRow", "chart_data", "place_data"]

LOOPBACK = "127.0.0.1"
CODE_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that look alike
CODE_LENGTH = 8
SLOW_S = 10.0  # after so long it is said that the page is waited for, our choice
LEAVE_WITHIN_S = 2.0


@dataclass(frozen=True, slots=True)
class PagePress:
    """Something that was pressed: `do` names it, `by` the tablet; `part` and `value` of the band, `choice` of a
    song."""

    do: str
    by: str
    part: str = ""
    value: float = 0.0
    choice: Mapping[str, Any] | None = None


def _press_of(line: bytes) -> PagePress | None:
    """A line of the page's process as a press; None for what is none."""
    try:
        row = json.loads(line)
        value = row.get("value", 0.0)
        choice = row.get("choice")
        if not isinstance(value, int | float) or isinstance(value, bool) or not abs(value) < 1e6:
            return None
        part = str(row.get("part", ""))
        return PagePress(str(row["do"]), str(row["by"]), part, value, choice if isinstance(choice, dict) else None)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


@dataclass(frozen=True, slots=True)
class SongRow:
    """A song that can be chosen on the stand; `words` say its key, tempo and groove."""

    name: str
    title: str
    key: str
    bpm: float
    words: str


@dataclass(frozen=True, slots=True)
class Between:
    """What stands on the page between two runs, by the names that the page knows.

    `mode`: after a song, while one is chosen, in the breath between two runs of an evening. `lines` say how the last
    one went, `next` what comes; `hands`: (what is asked for, its words) of each button of a breath; `report`: the last
    one's page is ready.
    """

    mode: Literal["after", "choose", "breath"]
    title: str
    said: str
    lines: Sequence[str]
    report: bool
    song: str = ""
    key: str = ""
    bpm: float = 0.0
    songs: Sequence[SongRow] = ()
    keys: Sequence[str] = ()
    advice: Sequence[str] = ()
    next: str = ""
    hands: Sequence[tuple[str, str]] = ()
    starts_in_s: float | None = None


def _line(message: Mapping[str, Any]) -> bytes:
    """A message to the page's process, with no sign in it that would turn a line round or show nothing."""
    return plain(json.dumps(message, separators=(",", ":"), ensure_ascii=False)).encode() + b"\n"


def chart_data(
    chart: Chart, *, open_end: bool = False, tab: Mapping[int, tuple[str, ...]] | None = None
) -> dict[str, Any]:
    """What the page must know of the whole chart, as plain data; with `open_end` not how many choruses there are."""
    return {
        "title": chart.session.title,
        "key": chart.key.name,
        "choruses": None if open_end else chart.n_choruses,
        "round": round_word(chart),
        "tab": {str(bar_idx): list(lines) for bar_idx, lines in (tab or {}).items()},
        "first": chart.first_beats,
        "end": chart.end_beats,
        "bars": [
            {
                "chorus": bar.chorus,
                "bar": bar.bar,
                "on": bar.onset_beats,
                "chords": [chord.name for chord in bar.chords],
                "degrees": list(bar.degrees),
                "role": chart.role_words(bar),
                "intensity": bar.intensity,
                "idx": bar.idx,
                "heard": bar.heard,
                "out": bar.drop_out,
                "final": bar.final,
            }
            for bar in chart.bars
        ],
    }


def place_data(state: ScreenState) -> dict[str, Any]:
    """Where the song is now, as plain data."""
    return {
        "beats": round(state.at_beats, 4),
        "bpm": state.tempo_bpm or state.chart.session.tempo_bpm,
        "phase": state.phase,
        "warnings": list(state.warnings[-3:]),
        "cue": state.cue,
        "to": state.counts_to_idx,
        "task": state.task,
        "note": state.note,
        "next_bpm": state.next_tempo_bpm,
        "parts": [[part.name, round(part.gain_frac, 2), part.muted] for part in state.mix],
    }


class PageLink:
    """The page's process, for as many runs as there are. `send` keeps only the newest place and returns at once;
    `close` ends the process. `on_press` is called with what is pressed, in a thread of the link's own, in the order in
    which it came; whoever runs just now sets it.

    A place carries the moment at which it was true (`at`, ms of this process's clock), so that the page can tell a late
    message from a slow song.

    A one-time code is part of the address: nobody without it sees anything or presses anything. `host` other than the
    loopback opens the page to the room. A process that is slow to come up is waited for, and `say` is told so once.
    `UsageError` when the host or port cannot be served from, or the process ends before it serves.
    """

    def __init__(
        self,
        chart: Chart | None = None,
        host: str = LOOPBACK,
        port: int = 0,
        *,
        code: str | None = None,
        say: Callable[[str], None] = lambda text: None,
    ) -> None:
        try:
            wanted = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        except OSError as error:
            raise UsageError(f'cannot serve the page from "{host}": {error.strerror or error}') from None
        self.open_to_room = not wanted[4][0].startswith("127.") and wanted[4][0] != "::1"  # type: ignore[union-attr]
        letters = (secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self.code = code or "".join(letters)
        self.on_press: Callable[[PagePress], None] = lambda press: None
        log, self.log_path = open_log("page")
        self._process = subprocess.Popen(
            # One address, even where the name has several: whether it is open to the room is told of that one.
            [sys.executable, "-m", "trainer.page", host, str(wanted[4][0]), str(port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            **here().apart(),
        )
        if not isinstance(log, int):
            log.close()
        self._write(self.code.encode() + b"\n")
        first = ""
        try:
            first = _first_line(self._process, say)
        finally:
            if not first.startswith("port "):
                self._process.kill()
                self._process.wait()
                for pipe in (self._process.stdin, self._process.stdout):
                    if pipe is not None:
                        pipe.close()
        if not first.startswith("port "):
            why = first or f"no answer (its log is {self.log_path})"
            raise UsageError(f"cannot serve the page from {host}, port {port}: {why}; try another port")
        self.port = int(first.split()[1])
        shown = _own_address() if wanted[4][0] in ("0.0.0.0", "::") else host
        self.url = f"http://{f'[{shown}]' if ':' in shown else shown}:{self.port}/?code={self.code}"
        self._lines: list[bytes] = []  # news of which every line is sent
        self._newest: bytes | None = None
        self._wake = threading.Condition()
        self._open = True
        if chart is not None:
            self.show(chart)
        self._sending = threading.Thread(target=self._sender, name="page", daemon=True)
        self._sending.start()
        threading.Thread(target=self._hear, name="presses", daemon=True).start()

    def show(self, chart: Chart, *, open_end: bool = False, tab: Mapping[int, tuple[str, ...]] | None = None) -> None:
        """From here on places are of this chart, and it is being played."""
        self._say({"chart": chart_data(chart, open_end=open_end, tab=tab), "desk": None})

    def between(self, desk: Between, report: Path | None = None) -> None:
        """What stands on the page between two runs, and the report that can be looked at."""
        self._say({"desk": asdict(desk), "report": None if report is None else str(report)})

    def _say(self, message: Mapping[str, Any]) -> None:
        with self._wake:
            self._lines.append(_line(message))
            self._newest = None  # a place of the song before
            self._wake.notify()

    def _hear(self) -> None:
        stream = self._process.stdout
        try:
            while stream is not None and (line := stream.readline()):
                press = _press_of(line)
                if press is not None:
                    self.on_press(press)
        except (OSError, ValueError):  # closed
            pass

    def send(self, state: ScreenState) -> None:
        """Show this place; an older one still waiting is dropped."""
        place = {**place_data(state), "at": round(time.perf_counter() * 1000.0, 2)}
        line = _line({"place": place})
        with self._wake:
            self._newest = line
            self._wake.notify()

    def qr_lines(self) -> list[str]:
        """The address as a QR code in text, for a terminal."""
        import io

        import segno

        out = io.StringIO()
        segno.make(self.url, error="l").terminal(out, border=1, compact=True)
        return out.getvalue().rstrip("\n").split("\n")

    def close(self) -> None:
        with self._wake:
            self._open = False
            self._wake.notify()
        self._sending.join(timeout=LEAVE_WITHIN_S)
        if self._sending.is_alive():  # the page takes nothing any more, and what is being written to cannot be closed
            self._process.kill()
            self._sending.join()
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(timeout=LEAVE_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def _sender(self) -> None:
        while True:
            with self._wake:
                while self._newest is None and not self._lines and self._open:
                    self._wake.wait()
                if not self._open:
                    return
                lines, self._lines = self._lines, []
                if self._newest is not None:
                    lines.append(self._newest)
                    self._newest = None
            if not all(self._write(line) for line in lines):
                return

    def _write(self, line: bytes) -> bool:
        pipe: IO[bytes] | None = self._process.stdin
        if pipe is None:
            raise PortError("the page's process has no input")
        try:
            pipe.write(line)
            pipe.flush()
        except (OSError, ValueError):
            return False
        return True


def _first_line(process: subprocess.Popen[bytes], say: Callable[[str], None]) -> str:
    """What the process says first, however long it takes; empty when it ends without a word."""
    found: list[str] = []

    def read() -> None:
        if process.stdout is not None:
            found.append(process.stdout.readline().decode("utf-8", "replace").strip())

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    reader.join(SLOW_S)
    if reader.is_alive():
        say("the stand page is slow to start and is waited for; Ctrl-C gives up")
    while reader.is_alive():
        reader.join(1.0)  # not without an end: on some systems Ctrl-C would wait for it too
    return found[0] if found else ""


def _own_address() -> str:
    """This machine's address in the room, as far as it can be known without asking anybody."""
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): nothing is sent by this
            return str(probe.getsockname()[0])
    except OSError:
        return socket.gethostname()

"""A running session as the person meets it: the engine started and watched, the screen drawn, the keys obeyed."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from time import perf_counter_ns
from typing import TYPE_CHECKING, Any

from trainer.band import PARTS
from trainer.clock.tempo import TempoMap
from trainer.engine import Command, Facts, Finished, Heard, Mix, Notice, PadNote, PadUndo, Place, Ready, Start
from trainer.engine.record import finish_lost
from trainer.errors import PortError, TrainerError
from trainer.live.keys import PAD_KEYS, ROOT_KEY, Char, CharReader, Repeats, degree_pitches, root_pitch
from trainer.live.link import EngineLink
from trainer.live.options import PartMix, PlayOptions, PlayResult, part_gains, setup_of
from trainer.live.terminal import KeySource, Screen
from trainer.scoring.running import RunningScore
from trainer.screen import PartLevel, RunningFigures, ScreenState, opening_lines, plain_line, render, repaint
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take

if TYPE_CHECKING:
    from trainer.page import PageLink

__all__ = ["play", "recover_takes", "replay"]

FRAME_S = 0.05
PAGE_SHOWN_S = 8.0  # how long the page's address and code stand before the playing screen comes; our choice
READY_WITHIN_S = 60.0
WAIT_SAID_S = 1.5  # a wait this long is explained
GETTING_READY = "getting ready: the first time, the band's sounds are made, which takes some seconds"
FACTS_EVERY_S = 1.0
SILENT_S = 8.0  # an engine that says nothing for so long is dead
AWAY_S = 2.0  # a loop that took so long was stopped; our choice
TEMPO_STEP_BPM = 2.0
VOLUME_STEP = 0.1
PAD_VELOCITY = 90
LANE_N = 16
CUE_LARGE_BEATS = 8.0  # how long a cue stands in block letters when it is new, and again before it is over; our choice
NEWS_SHOWN_S = 8.0  # how long what needs no doing stays on the screen (it is said again at the end); our choice
# One row of the smallest screen, eighty columns with the mark before it.
TYPING_LIMITS = "typing hides when a key is let go: lengths are not judged, times are rougher"


class _Front:
    def __init__(self, session: Session, options: PlayOptions) -> None:
        self.session = session
        self.options = options
        self.chart = expand(session)
        self.tempo = TempoMap(self.chart.tempo_segments)
        self.warnings: list[str] = []
        self.shown_until_s: dict[str, float] = {}  # by warning: when it leaves the screen
        self.mix: dict[str, PartMix] = {name: options.mix.get(name, PartMix()) for name in PARTS}
        self.chosen = 0
        self.next_tempo_bpm: float | None = None
        self._note, self._note_until_s = "", 0.0
        self.place: Place | None = None
        self.ready: Ready | None = None
        self.finished: Finished | None = None
        self.died = False
        self.silenced = False  # … by us, since it said nothing
        self.hung_up = False
        self.asked_to_end: str | None = None
        self.score = RunningScore(self.chart, self.tempo)
        self.pass_idx = 0
        self.n_notes = 0
        self.engine_minus_front_ns = 0
        self.signals: list[str] = []
        self.screen = Screen()
        self.keys = KeySource()
        self.pretty = not options.quiet_screen and _is_terminal(sys.stdout)
        self.shown: Any = None
        self.shown_size = (0, 0)
        self.last_line = ""
        self.last_note = ""
        self.last_heard_s = self.watched_s = time.monotonic()
        self._chars = CharReader()
        self._repeats = Repeats()
        self._pad = degree_pitches(session.key)
        self._n_pad = 0
        self._last_command: tuple[str, int] = ("", 0)
        self.page: PageLink | None = None

    # --- from the start to the end ----------------------------------------------------------------------------------

    def run(self) -> PlayResult:
        if self.options.page_host is not None:
            self._open_page(self.options.page_host)
        link = EngineLink()
        try:
            with _signals(self.signals):
                self._open(link)
                if self.finished is None and not self.died:
                    self._play(link)
                self._wait_finished(link)
        except BaseException:
            link.say(Command("stop"))
            raise
        finally:
            link.close()
            if self.page is not None:
                self.page.close()
        return self._aftermath(link)

    def _open_page(self, host: str) -> None:
        from trainer.page import PageLink

        self.page = PageLink(self.chart, host, self.options.page_port, open_end=bool(self.options.cues))
        self._print(f"stand page: {self.page.url}", *(self.page.qr_lines() if self.page.open_to_room else ()))
        if self.page.open_to_room and self.pretty:
            self._print("scan it now; the band counts in after a moment")
            time.sleep(PAGE_SHOWN_S)

    def _open(self, link: EngineLink) -> None:
        link.measure_offset()
        self.engine_minus_front_ns = link.engine_minus_front_ns
        link.say(setup_of(self.session, self.options))
        begun = time.monotonic()
        until, explained = begun + READY_WITHIN_S, self.options.audio == "none"
        while self.ready is None and self.finished is None and not self.died:
            self._take_message(link, 0.1)
            if not explained and self.ready is None and time.monotonic() > begun + WAIT_SAID_S:
                self._print(GETTING_READY)
                explained = True
            if any(name in ("SIGINT", "SIGTERM", "SIGHUP") for name in self.signals):
                self._end(link)
                return
            if time.monotonic() > until:
                self.died = True
                self.warnings.append(f"the engine was not ready within {READY_WITHIN_S:g} s")
                link.process.kill()
        if self.ready is not None:
            self.warnings.extend(self.ready.notices)
            if self.options.typing:
                self.warnings.append(TYPING_LIMITS)
                self._leaves_soon(TYPING_LIMITS)

    def _play(self, link: EngineLink) -> None:
        with self.keys, self.screen if self.pretty else contextlib.nullcontext():
            if not self.pretty:
                self._print(*opening_lines(self._state()))
            link.say(Start())
            next_s = time.monotonic()
            facts_s = next_s
            while self.finished is None and not self.died:
                self._drain(link)
                self._signalled(link)
                self._read_keys(link)
                self._watch(link)
                self._show()
                if time.monotonic() >= facts_s:
                    facts_s = time.monotonic() + FACTS_EVERY_S
                    self._send_facts(link)
                next_s = max(next_s + FRAME_S, time.monotonic())
                self._take_message(link, max(0.0, next_s - time.monotonic()), until_s=next_s)
            self._show()

    def _wait_finished(self, link: EngineLink) -> None:
        until = time.monotonic() + 15.0
        while self.finished is None and not self.died and time.monotonic() < until:
            self._take_message(link, 0.2)

    def _aftermath(self, link: EngineLink) -> PlayResult:
        if self.hung_up or self.screen.gone:
            _talk_to_nobody()
        path: Path | None = None
        status = self.asked_to_end or "completed"
        if self.finished is None:
            status = "engine_died"
            path = self._clean_up_after(link)
        else:
            path = Path(self.finished.take) if self.finished.take is not None else None
            if self.finished.fault is not None:
                status = "fault"
                self._warn(self.finished.fault)
            elif not self.finished.completed and self.asked_to_end is None:
                status = "terminated"
        take: Take | None = None
        if path is not None:
            take = _read(path)
        if path is None and self.options.record and self.finished is not None and self.finished.fault is None:
            self._warn("nothing was played, so there is no take")
        return PlayResult(status, path, take, tuple(self.warnings), self.next_tempo_bpm)

    def _clean_up_after(self, link: EngineLink) -> Path | None:
        """The engine died: silence what it left sounding, finish the take from its journal."""
        where = f"; its log is {link.log_path}" if link.log_path is not None else ""
        if self.silenced:
            self._warn(f"the engine said nothing for {SILENT_S:g} s and was ended{where}")
        else:
            self._warn(f"the engine stopped unexpectedly{_status_words(link.process.returncode)}{where}")
        name = self.ready.midi_out if self.ready is not None else self.options.midi_out
        if name is not None:
            silence_port(name)
        if self.options.clock_out is not None:
            stop_machine(self.options.clock_out)
        saved = finish_lost(self.options.takes_dir)
        for item in saved:
            if item.remark is not None:
                self._warn(item.remark)
        return saved[-1].path if saved else None

    # --- the engine's messages --------------------------------------------------------------------------------------

    def _drain(self, link: EngineLink) -> None:
        while not link.inbox.empty():
            self._take_message(link, 0.0)

    def _take_message(self, link: EngineLink, timeout_s: float, until_s: float | None = None) -> None:
        """One message, or until a moment all that come, so that the frame rate holds."""
        while True:
            try:
                message = link.inbox.get(timeout=max(timeout_s, 0.0)) if timeout_s > 0.0 else link.inbox.get_nowait()
            except queue.Empty:
                return
            self.last_heard_s = time.monotonic()
            if message is None:
                self.died = self.finished is None
                return
            self._heard(message)
            if until_s is None:
                return
            timeout_s = until_s - time.monotonic()
            if timeout_s <= 0.0:
                return

    def _heard(self, message: Any) -> None:
        if isinstance(message, Place):
            self.place = message
        elif isinstance(message, Heard):
            if message.pass_idx != self.pass_idx:
                self.pass_idx = message.pass_idx
                self.score = RunningScore(self.chart, self.tempo)
            if message.song_s is not None:
                self.n_notes += 1
                self.score.feed([(message.song_s, 0.0, message.pitch)])
        elif isinstance(message, Notice):
            self._notice(message)
        elif isinstance(message, Ready):
            self.ready = message
        elif isinstance(message, Finished):
            self.finished = message

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)
            if not self.pretty:
                self._print(f"warning: {text}")

    def _notice(self, notice: Notice) -> None:
        self._warn(notice.text)
        if notice.level == "note":
            self._leaves_soon(notice.text)
        if notice.level == "note" and notice.text.endswith(" is back"):  # what was said of its going is over
            about = notice.text.removesuffix(" is back")
            for text in self.warnings:
                if text.startswith(f"{about} has gone"):
                    self.shown_until_s[text] = 0.0
        elif notice.level != "note":
            self.shown_until_s.pop(notice.text, None)

    @property
    def note(self) -> str:
        """What the last key did, for a while; then the screen says again what is heard, and the page's address."""
        return self._note if time.monotonic() < self._note_until_s else ""

    @note.setter
    def note(self, text: str) -> None:
        self._note, self._note_until_s = text, time.monotonic() + NEWS_SHOWN_S

    def _leaves_soon(self, text: str) -> None:
        self.shown_until_s[text] = time.monotonic() + NEWS_SHOWN_S

    def _on_screen(self) -> tuple[str, ...]:
        """The warnings that the screen still shows."""
        now_s = time.monotonic()
        return tuple(text for text in self.warnings if self.shown_until_s.get(text, now_s + 1.0) > now_s)

    def _watch(self, link: EngineLink) -> None:
        now_s = time.monotonic()
        before_s, self.watched_s = self.watched_s, now_s
        if now_s - before_s > AWAY_S:  # it was we who stood still (stopped from outside): hear the engine out first
            self.last_heard_s = now_s
        if now_s - self.last_heard_s > SILENT_S:
            link.process.kill()
            self.died = self.silenced = True

    # --- signals ----------------------------------------------------------------------------------------------------

    def _signalled(self, link: EngineLink) -> None:
        while self.signals:
            name = self.signals.pop(0)
            if name == "SIGTSTP":
                self._suspend(link)
            else:
                self.asked_to_end = "interrupted" if name == "SIGINT" else "terminated"
                self.hung_up |= name == "SIGHUP"
                link.say(Command("stop", interrupted=True))
        if self.screen.gone and self.asked_to_end is None:
            self.asked_to_end = "terminated"
            link.say(Command("stop", interrupted=True))

    def _end(self, link: EngineLink) -> None:
        self.asked_to_end = "interrupted" if "SIGINT" in self.signals else "terminated"
        link.say(Command("stop", interrupted=True))

    def _suspend(self, link: EngineLink) -> None:
        """Ctrl-Z: pause, give the terminal back, stop; when brought back, take it again, still paused."""
        link.say(Command("pause"))
        if self.pretty:
            self.screen.give_back()
        self.keys.give_back()
        with _default_signal("SIGTSTP"):
            os.kill(os.getpid(), signal.SIGTSTP)
        self.keys.take()
        if self.pretty:
            self.screen.borrow()
            self.shown = None
        self.last_heard_s = time.monotonic()
        self.note = "paused; p goes on"

    # --- keys -------------------------------------------------------------------------------------------------------

    def _read_keys(self, link: EngineLink) -> None:
        while not self.keys.queue.empty():
            host_ns, data = self.keys.queue.get()
            for char in self._chars.feed(host_ns, data):
                if self.options.typing and (char.char in self._pad or char.char == ROOT_KEY):
                    self._strike(link, char)
                else:
                    self._command(link, char)

    def _strike(self, link: EngineLink, char: Char) -> None:
        self._n_pad += 1
        new, back = self._repeats.judge(char, self._n_pad)
        if back is not None:
            link.say(PadUndo(back))
        if not new:
            return
        beats = self._beats_at(char.host_ns)
        if beats < self.chart.first_beats:
            beats += self._led_on_beats()
        pitch = self._pad[char.char] if char.char in PAD_KEYS else root_pitch(self.chart, beats)
        link.say(PadNote(char.host_ns, pitch, PAD_VELOCITY, self._n_pad))

    def _command(self, link: EngineLink, char: Char) -> None:
        name = char.char
        last, last_ns = self._last_command
        self._last_command = (name, char.host_ns)
        if name in "prqmo" and name == last and char.host_ns - last_ns < 120_000_000:
            return  # a held key
        part = PARTS[self.chosen]
        if name == "q":
            self.asked_to_end = "stopped"
            link.say(Command("stop"))
        elif name == "p":
            self.note = ""
            link.say(Command("toggle"))
        elif name == "r":
            link.say(Command("restart"))
            self.note = "back to the top of the chorus"
        elif name in "[]":
            now = self.next_tempo_bpm or self.session.tempo_bpm
            self.next_tempo_bpm = min(240.0, max(40.0, now + (TEMPO_STEP_BPM if name == "]" else -TEMPO_STEP_BPM)))
            self.note = f"next run at {self.next_tempo_bpm:g} bpm"
        elif name in "123456":
            self.chosen = int(name) - 1
            self.note = f"{PARTS[self.chosen]} chosen"
        elif name == "m":
            self._mix(link, part, muted=not self.mix[part].muted)
            self.note = f"{part} {'muted' if self.mix[part].muted else 'back'}"
        elif name == "o":
            self._mix(link, part, solo=not self.mix[part].solo)
            self.note = f"{part} {'alone' if self.mix[part].solo else 'with the others'}"
        elif name in "-=":
            step = VOLUME_STEP if name == "=" else -VOLUME_STEP
            volume = round(min(1.0, max(0.0, self.mix[part].volume_frac + step)), 2)
            self._mix(link, part, volume_frac=volume)
            self.note = f"{part} {round(100 * volume)}"

    def _mix(self, link: EngineLink, part: str, **changes: Any) -> None:
        self.mix[part] = replace(self.mix[part], **changes)
        link.say(Mix(part_gains(self.mix)))

    def _send_facts(self, link: EngineLink) -> None:
        error = self.keys.stamp_error_ms()
        if self.options.typing and error is not None:
            link.say(Facts({"typing_stamp_ms": error}))

    # --- the screen -------------------------------------------------------------------------------------------------

    def _beats_at(self, front_ns: int) -> float:
        place = self.place
        if place is None:
            return self.chart.count_in_beats
        beats = place.beats
        if place.state in ("count_in", "playing"):
            passed_s = (front_ns + self.engine_minus_front_ns - place.engine_ns) * 1e-9
            beats += min(max(passed_s, -0.5), 0.5) * place.tempo_bpm / 60.0
            if beats >= self.chart.first_beats:
                beats += self._led_on_beats()
        return beats

    def _led_on_beats(self) -> float:
        """How much further on in the song the count leads that is being counted: 0 for the first one, and outside."""
        return self.chart.bars[self._counts_to_idx()].onset_beats - self.chart.first_beats

    def _counts_to_idx(self) -> int:
        place = self.place
        return max(place.bar_idx, 0) if place is not None and place.state == "count_in" else 0

    def _state(self) -> ScreenState:
        place = self.place
        figures = self.score.figures()
        calibrated = self.options.calibration is not None
        lane = [second * 1e3 for second in figures.last_asynchronies_s]
        centre = 0.0 if calibrated or figures.median_asynchrony_s is None else figures.median_asynchrony_s * 1e3
        phase = "waiting" if place is None else {"finished": "ended"}.get(place.state, place.state)
        ready = self.ready
        source = "computer keyboard" if self.options.typing else ""
        if ready is not None and ready.midi_in is not None:
            source = ready.midi_in
        elif self.options.script is not None:
            source = "stand-in player"
        if self.page is not None:  # the line before the song is gone in a moment; who types it in needs longer
            source = " · ".join(filter(None, (source, f"page: {self.page.url}")))
        running = None
        if self.options.figures:
            running = RunningFigures(
                swing_ratio=figures.swing_ratio,
                n_pairs=figures.n_pairs,
                band_ratio=self.chart.swing_ratio,
                roots=figures.roots,
                changes=figures.changes,
                # Nobody is told to be late by what may be the set-up.
                mean_ms=figures.median_asynchrony_s * 1e3
                if calibrated and figures.median_asynchrony_s is not None
                else None,
            )
        at_beats = self._beats_at(perf_counter_ns())
        # Of several that stand, the one called last; large while it is new and as it comes.
        called = [cue for cue in self.options.cues if cue[0] <= at_beats < cue[1]]
        start, gone, cue = max(called, default=(0.0, 0.0, ""))
        return ScreenState(
            chart=self.chart,
            at_beats=at_beats,
            phase=phase,
            tempo_bpm=place.tempo_bpm if place is not None else None,
            lane_ms=tuple(ms - centre for ms in lane[-LANE_N:]),
            lane_centred=not calibrated,
            n_notes=self.n_notes,
            warnings=self._on_screen(),
            mix=tuple(
                PartLevel(name, part.volume_frac, part.muted, part.solo, chosen=i == self.chosen)
                for i, (name, part) in enumerate(self.mix.items())
            ),
            figures=running,
            calm=self.options.calm,
            source=source,
            next_tempo_bpm=self.next_tempo_bpm,
            typing=self.options.typing,
            ascii_only=self.options.ascii_only or not _writes_blocks(sys.stdout),
            note=self.note,
            cue=cue,
            cue_large=bool(cue) and (at_beats < start + CUE_LARGE_BEATS or at_beats >= gone - CUE_LARGE_BEATS),
            open_end=bool(self.options.cues),
            counts_to_idx=self._counts_to_idx(),
        )

    def _show(self) -> None:
        state = self._state()
        if self.page is not None:
            self.page.send(state)
        if self.pretty:
            size = self.screen.size
            frame = render(state, *size)
            if size != self.shown_size:
                self.screen.write("\x1b[2J")
                self.shown, self.shown_size = None, size
            self.screen.write(repaint(frame, self.shown, plain="NO_COLOR" in os.environ))
            self.shown = frame
            return
        news = state.cue or state.note
        if news and news != self.last_note:
            self.last_note = news
            self._print(news)
        if state.phase != "waiting":
            line = plain_line(state)
            if line != self.last_line:
                self.last_line = line
                self._print(line)

    def _print(self, *lines: str) -> None:
        try:
            for line in lines:
                try:
                    print(line, flush=True)
                except UnicodeEncodeError:
                    print(line.encode("ascii", "replace").decode("ascii"), flush=True)
        except (OSError, ValueError):
            self.screen.gone = True


def _talk_to_nobody() -> None:
    """The terminal has gone: what is said from here on must not fail for it."""
    null = os.open(os.devnull, os.O_WRONLY)
    for stream, fd in ((sys.stdout, 1), (sys.stderr, 2)):
        os.dup2(null, fd)
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os.close(null)


def _is_terminal(stream: Any) -> bool:
    try:
        return bool(stream is not None and stream.isatty() and os.environ.get("TERM") != "dumb")
    except ValueError:
        return False


def _writes_blocks(stream: Any) -> bool:
    encoding = (getattr(stream, "encoding", None) or "ascii").lower()
    try:
        "█▀▄●◀".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _read(path: Path) -> Take | None:
    from trainer.take import read_take

    with contextlib.suppress(TrainerError):
        return read_take(path)
    return None


def _status_words(status: int | None) -> str:
    if status is None:
        return ""
    return f" (signal {-status})" if status < 0 else f" (exit status {status})"


def silence_port(name: str) -> None:
    """Open a MIDI output that somebody else left sounding, silence it, close it."""
    from trainer.ports.midi import open_output
    from trainer.ports.silence import all_notes_off

    with contextlib.suppress(PortError):
        port = open_output(name)
        try:
            for channel in range(16):  # many instruments ignore all-notes-off
                for number in range(128):
                    port.send(bytes((0x80 | channel, number, 64)))
            for data in all_notes_off():
                port.send(data)
        finally:
            port.close()


def stop_machine(name: str) -> None:
    """Tell a machine that followed our clock to stop."""
    from trainer.clock.midi_clock import STOP
    from trainer.ports.midi import open_output

    with contextlib.suppress(PortError):
        port = open_output(name)
        try:
            port.send(STOP)
        finally:
            port.close()


@contextlib.contextmanager
def _signals(into: list[str]) -> Iterator[None]:
    """Signals become names on a list, for the loop to act on."""
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: dict[str, Any] = {}

    def note(number: int, _frame: Any) -> None:
        into.append(signal.Signals(number).name)

    try:
        for name in names:
            before[name] = signal.signal(getattr(signal, name), note)
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


@contextlib.contextmanager
def _default_signal(name: str) -> Iterator[None]:
    number = getattr(signal, name)
    before = signal.signal(number, signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(number, before)


def play(session: Session, options: PlayOptions | None = None) -> PlayResult:
    """Play a session: the band sounds, the player is heard and recorded, the take is written.

    Draws the screen on a terminal, else prints a line a bar. Returns when the song has ended or was ended; raises only
    for what keeps the session from being played at all (`TrainerError`).
    """
    front = _Front(session, options or PlayOptions())
    return front.run()


def replay(
    session: Session, bars: tuple[int, int], options: PlayOptions | None = None, *, times: int = 4
) -> PlayResult:
    """Play bars `first`–`last` (1-based, of the form) of a session round and round, with the band; no take is kept."""
    loop = replace(
        session,
        loop=bars,
        choruses=(ChorusPlan("verse", times),),
        drop_outs=(),
        pedals=(),
        start="top",
        ending="plain",
        count_in_bars=max(1, session.count_in_bars),
    )
    return play(loop, replace(options or PlayOptions(), record=False))


def recover_takes(takes_dir: str | Path | None = None, say: Callable[[str], None] | None = None) -> list[Path]:
    """Finish the takes of sessions that were cut off (power, kill); the files made. Call it before a new session."""
    out = []
    for saved in finish_lost(takes_dir):
        out.append(saved.path)
        if say is not None:
            say(saved.remark or f"the take of a session that was cut off is finished: {saved.path}")
    return out

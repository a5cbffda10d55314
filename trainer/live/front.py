"""A running session as the person meets it: the engine started and watched, the screen drawn, the keys obeyed."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import time
from dataclasses import replace
from pathlib import Path
from time import perf_counter_ns
from typing import Any

from trainer.band import PARTS, arrange
from trainer.clock.tempo import TempoMap
from trainer.engine import Command, Facts, Finished, Heard, Mix, Notice, PadNote, PadUndo, Place, Pressed, Ready, Start
from trainer.engine.record import band_notes, finish_lost
from trainer.errors import TrainerError
from trainer.limits import playable_bpm
from trainer.live import keys
from trainer.live.keys import COMMANDS, PAD_KEYS, ROOT_KEY, Char, CharReader, Repeats, degree_pitches, root_pitch
from trainer.live.link import EngineLink
from trainer.live.notices import NEWS_SHOWN_S, Notices
from trainer.live.options import PartMix, PlayOptions, PlayResult, Status, part_gains, setup_of
from trainer.live.rescue import silence_port, stop_machine
from trainer.live.terminal import KeySource, Screen, is_terminal, talk_to_nobody, writes_blocks
from trainer.page.link import PagePress
from trainer.scoring.running import RunningScore
from trainer.screen import (
    PartLevel,
    RunningFigures,
    ScreenState,
    opening_lines,
    plain_line,
    render,
    repaint,
    round_word,
)
from trainer.screen.frame import clean_text
from trainer.session import Session, expand
from trainer.system import here
from trainer.take import Take
from trainer.take.notes import PAD_VELOCITY, PICKED_VELOCITY

__all__ = ["play"]

ENDING = ("SIGINT", "SIGTERM", "SIGHUP")
FRAME_S = 0.05
READY_WITHIN_S = 60.0
WAIT_SAID_S = 1.5  # a wait this long is explained
GETTING_READY = "getting the band's sounds ready, which takes some seconds"
REHEARING = "hearing the recording once more, at leisure"
FACTS_EVERY_S = 1.0
SILENT_S = 8.0  # an engine that says nothing for so long is dead
AWAY_S = 2.0  # a loop that took so long was stopped; our choice
TEMPO_STEP_BPM = 2.0
VOLUME_STEP = 0.1
HELD_NS = 120_000_000  # a terminal repeats a held key sooner than that
HELD_SAID_NS = 5_000_000_000  # longer than any note of a line: who holds on so long waits for more notes; our choice
HELD_KEY = "a key held down is one note: strike it once for each"
MARK_BACK_BEATS = 1.0  # whoever marks "that one" has just heard it; our choice
CUE_LARGE_BEATS = 8.0  # how long a cue stands in block letters when it is new, and again before it is over; our choice
# One row of the smallest screen, eighty columns with the mark before it.
TYPING_LIMITS = "typed notes: lengths are not judged, times are rougher"


class _Front:
    link: EngineLink  # from `run` on

    def __init__(self, session: Session, options: PlayOptions) -> None:
        self.session = session
        self.options = options
        self.chart = expand(session)
        self.tempo = TempoMap(self.chart.tempo_segments)
        self.notices = Notices()
        self.mix: dict[str, PartMix] = {name: options.mix.get(name, PartMix()) for name in PARTS}
        guide = session.guide if options.guide is None else options.guide
        self.has_guide = guide != "off"
        self.chosen = 0
        self.next_tempo_bpm: float | None = None
        self._note, self._note_until_s = "", 0.0
        self.place: Place | None = None
        self.ready: Ready | None = None
        self.finished: Finished | None = None
        self.died = False
        self.silenced = False  # … by us, since it said nothing
        self.hung_up = False
        self.asked_to_end: Status | None = None
        self.asked = ""  # what comes after: "again", "next"
        self.marked: list[tuple[int, int]] = []  # (chorus, bar)
        self.help = False
        self.band = band_notes(arrange(self.chart, guide="off"), self.tempo)
        self.heard: list[tuple[float, float, float, int]] = []  # (song second, 0, pitch, velocity) of notes that count
        self.score = self._new_score()
        self.pass_idx = 0
        self.signals: list[str] = []
        self.screen = Screen()
        self.keys = KeySource()
        self.pretty = not options.quiet_screen and is_terminal(sys.stdout)
        self.shown: Any = None
        self.shown_size = (0, 0)
        self.last_line = ""
        self.last_note = ""
        self.last_heard_s = self.watched_s = time.monotonic()
        self._chars = CharReader()
        self._repeats = Repeats()
        self._pad = degree_pitches(session.key)
        self._n_pad = 0
        self._struck_ns = 0
        self._last_command: tuple[str, int] = ("", 0)
        self.page = options.stand

    # --- from the start to the end ----------------------------------------------------------------------------------

    def run(self) -> PlayResult:
        self.link = EngineLink()
        if self.page is not None:
            self.page.show(self.chart, open_end=bool(self.options.cues) or self.options.open_end, tab=self.options.tab)
            self.page.on_press = self.link.inbox.put
        try:
            with here().signals_into(self.signals.append, (*ENDING, "SIGTSTP")):
                self._open()
                if self.finished is None and not self.died:
                    self._play()
                self._wait_finished()
        except BaseException:
            self.link.say(Command("stop"))
            raise
        finally:
            self.link.close()
            if self.page is not None:
                self.page.on_press = lambda press: None
        return self._aftermath()

    def _open(self) -> None:
        self.link.measure_offset()
        self.link.say(setup_of(self.session, self.options))
        begun = time.monotonic()
        until, explained = begun + READY_WITHIN_S, self.options.audio == "none"
        while self.ready is None and self.finished is None and not self.died:
            self._take_message(0.1)
            if not explained and self.ready is None and time.monotonic() > begun + WAIT_SAID_S:
                self._print(GETTING_READY)
                explained = True
            if any(name in ENDING for name in self.signals):
                self._signalled()
                return
            if time.monotonic() > until:
                self.died = True
                self._warn(f"the engine was not ready within {READY_WITHIN_S:g} s")
                self.link.process.kill()
        if self.ready is not None:
            for notice in self.ready.notices:
                self.notices.add(notice, time.monotonic())
            if self.options.typing and not self.options.typing_told:
                self.notices.add(Notice(TYPING_LIMITS, "note"), time.monotonic())

    def _play(self) -> None:
        # The bass touches neither keys nor mouse: without being asked, the system would put the screen out.
        with self.keys, here().awake() as held, self.screen if self.pretty else contextlib.nullcontext():
            self.link.say(Facts({"display": held}))
            if not self.pretty:
                self._print(*opening_lines(self._state()))
            self.link.say(Start())
            next_s = time.monotonic()
            facts_s = next_s
            while self.finished is None and not self.died:
                self._drain()
                self._signalled()
                self._read_keys()
                self._watch()
                self._show()
                if time.monotonic() >= facts_s:
                    facts_s = time.monotonic() + FACTS_EVERY_S
                    self._send_facts()
                next_s = max(next_s + FRAME_S, time.monotonic())
                self._take_message(max(0.0, next_s - time.monotonic()), until_s=next_s)
            self._show()

    def _wait_finished(self) -> None:
        until = time.monotonic() + 15.0
        while self.finished is None and not self.died and time.monotonic() < until:
            self._take_message(0.2)

    def _aftermath(self) -> PlayResult:
        if self.hung_up or self.screen.gone:
            talk_to_nobody()
        path: Path | None = None
        status: Status = self.asked_to_end or "completed"
        if self.finished is None:
            status = "engine_died"
            path = self._clean_up_after()
        else:
            path = Path(self.finished.take) if self.finished.take is not None else None
            if self.finished.fault is not None:
                status = "fault"
                self._warn(self.finished.fault)
            elif not self.finished.completed and self.asked_to_end is None:
                status = "terminated"
        take: Take | None = None
        if path is not None:
            self._hear_recording(path)
            take = _read(path)
        if path is None and self.options.record and self.finished is not None and self.finished.fault is None:
            self._warn("nothing was played, so there is no take")
        return PlayResult(
            status, path, take, self.notices.texts, self.next_tempo_bpm, self.asked, tuple(self.marked), dict(self.mix)
        )

    def _hear_recording(self, path: Path) -> None:
        """Of a bass by its cable the recording is heard once more, unhurried: that is what is scored."""
        if self.options.bass_in is None:
            return
        from trainer.take.keep_heard import keep_heard

        self._print(REHEARING)
        said = keep_heard(path)
        if said is None:
            from trainer.live.loop_back import leak_words
            from trainer.take.rehearing import recording_of

            take = _read(path)
            recording = None if take is None else recording_of(take, path)
            said = None if take is None or recording is None else leak_words(take, recording, self.options.soundfont)
        if said is not None:
            self._warn(said)

    def _clean_up_after(self) -> Path | None:
        """The engine died: silence what it left sounding, finish the take from its journal."""
        where = f"; its log is {self.link.log_path}" if self.link.log_path is not None else ""
        if self.silenced:
            self._warn(f"the engine said nothing for {SILENT_S:g} s and was ended{where}")
        else:
            self._warn(f"the engine stopped unexpectedly{_status_words(self.link.process.returncode)}{where}")
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

    def _drain(self) -> None:
        while not self.link.inbox.empty():
            self._take_message(0.0)

    def _take_message(self, timeout_s: float, until_s: float | None = None) -> None:
        """One message, or until a moment all that come, so that the frame rate holds."""
        while True:
            try:
                message = self.link.inbox.get(block=timeout_s > 0.0, timeout=max(timeout_s, 0.0))
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
        match message:
            case Place():
                self.place = message
            case Heard():
                if message.song_s is not None:
                    self._heard_note(message.song_s, message.pitch, message.velocity, message.pass_idx)
            case Pressed(action=action, port=port):
                self.obey(keys.ACTIONS[action], port)
            case PagePress():
                self._page_press(message)
            case Notice():
                self._notice(message)
            case Ready():
                self.ready = message
            case Finished():
                self.finished = message

    def _new_score(self) -> RunningScore:
        return RunningScore(self.chart, self.tempo, self.options.calibration, self.band, typing=self.options.typing)

    def _heard_note(self, song_s: float, pitch: float, velocity: int, pass_idx: int) -> None:
        if pass_idx != self.pass_idx:  # taken up again at a chorus's top: what was played from there on is replaced
            self.pass_idx = pass_idx
            beats = float(self.tempo.beats_at(song_s)) + 0.5
            top = max((on for on in self.chart.chorus_onsets_beats if on <= beats), default=self.chart.first_beats)
            until_s = float(self.tempo.seconds_at(top - 0.5))
            self.heard = [note for note in self.heard if note[0] < until_s]
            self.score = self._new_score()
            self.score.feed(self.heard)
        self.heard.append((song_s, 0.0, pitch, velocity))
        self.score.feed(self.heard[-1:])

    def _warn(self, text: str) -> None:
        self._notice(Notice(text))

    def _notice(self, notice: Notice) -> None:
        if self.notices.add(notice, time.monotonic()) and not self.pretty:
            self._print(f"warning: {notice.text}")

    @property
    def note(self) -> str:
        """What the last key did, for a while; then the screen says again what is heard, and the page's address."""
        return self._note if time.monotonic() < self._note_until_s else ""

    @note.setter
    def note(self, text: str) -> None:
        self._note, self._note_until_s = text, time.monotonic() + NEWS_SHOWN_S

    def _watch(self) -> None:
        now_s = time.monotonic()
        before_s, self.watched_s = self.watched_s, now_s
        if now_s - before_s > AWAY_S:  # it was we who stood still (stopped from outside): hear the engine out first
            self.last_heard_s = now_s
        if now_s - self.last_heard_s > SILENT_S:
            self.link.process.kill()
            self.died = self.silenced = True

    # --- signals ----------------------------------------------------------------------------------------------------

    def _signalled(self) -> None:
        while self.signals:
            name = self.signals.pop(0)
            if name in ENDING:
                self._end("interrupted" if name == "SIGINT" else "terminated")
                self.hung_up |= name == "SIGHUP"
            else:
                self._suspend()
        if self.screen.gone and self.asked_to_end is None:
            self._end("terminated")

    def _end(self, status: Status) -> None:
        self.asked_to_end = status
        self.link.say(Command("stop"))

    def _suspend(self) -> None:
        """Ctrl-Z: pause, give the terminal back, stop; when brought back, take it again, still paused."""
        self.link.say(Command("pause"))
        if self.pretty:
            self.screen.give_back()
        self.keys.give_back()
        here().suspend()
        self.keys.take()
        if self.pretty:
            self.screen.borrow()
            self.shown = None
        self.last_heard_s = time.monotonic()
        self.note = "paused; p goes on"

    # --- keys -------------------------------------------------------------------------------------------------------

    def _read_keys(self) -> None:
        while not self.keys.queue.empty():
            host_ns, data = self.keys.queue.get()
            for char in self._chars.feed(host_ns, data):
                if self.options.typing and (char.char in self._pad or char.char == ROOT_KEY):
                    self._strike(char)
                else:
                    self._command(char)

    def _strike(self, char: Char) -> None:
        self._n_pad += 1
        new, back = self._repeats.judge(char, self._n_pad)
        if back is not None:
            self.link.say(PadUndo(back))
        if not new:
            if char.host_ns - self._struck_ns > HELD_SAID_NS:
                self.note = HELD_KEY
            return
        self._struck_ns = char.host_ns
        beats = self._beats_at(char.host_ns)
        if beats < self.chart.first_beats:
            beats += self._led_on_beats()
        found = char.char in PAD_KEYS
        pitch = self._pad[char.char] if found else root_pitch(self.chart, beats)
        velocity = PAD_VELOCITY if found else PICKED_VELOCITY
        self.link.say(PadNote(char.host_ns, pitch, velocity, self._n_pad))

    def _command(self, char: Char) -> None:
        last, last_ns = self._last_command
        self._last_command = (char.char, char.host_ns)
        command = COMMANDS.get(char.char)
        if command is None or (command.once and char.char == last and char.host_ns - last_ns < HELD_NS):
            return
        self.obey(command)

    def obey(self, command: keys.Command, by: str = "") -> None:
        """Do what a key asks for, or a pedal or a tablet, which is then named."""
        text = self._obey(command)
        if command.name != "pause":
            self.note = f"{by}: {text}" if by else text
        else:  # the screen says it by itself
            self.note = f"{by}: {text}" if by else ""

    def _page_press(self, press: PagePress) -> None:
        """A button of the stand page. One that belongs to the time between two songs came too late and is passed
        over."""
        if press.do in keys.ACTIONS:
            self.obey(keys.ACTIONS[press.do], press.by)
        elif press.part in self.mix and press.do == "volume":
            volume = min(1.0, max(0.0, press.value))
            self.note = (
                f"{press.by}: {self._mix(press.part, f'{press.part} {round(100 * volume)}', volume_frac=volume)}"
            )
        elif press.part in self.mix and press.do == "mute":
            text = self._mix(press.part, f"{press.part} {'muted' if press.value else 'back'}", muted=bool(press.value))
            self.note = f"{press.by}: {text}"

    def _obey(self, command: keys.Command) -> str:
        """Do it; what was done, in words."""
        match command.name:
            case "quit" | "again" | "next" as name:
                self.asked = "" if name == "quit" else name
                self._end("stopped")
                return {"quit": "stop", "again": "once more", "next": "on to what comes next"}[name]
            case "mark":
                return self._mark()
            case "help":
                self.help = not self.help
                return ""
            case "pause":
                self.link.say(Command("toggle"))
                return "on" if self.place is not None and self.place.state == "paused" else "pause"
            case "restart":
                self.link.say(Command("restart"))
                return f"back to the top of the {round_word(self.chart)}"
            case "tempo":
                return self._next_tempo(command.number)
            case "choose" | "mute" | "alone" | "volume":
                return self._mix_by(command)

    def _next_tempo(self, steps: int) -> str:
        if self.options.keeps_tempo:
            return f"this is played at {self.session.tempo_bpm:g} bpm"
        now = self.next_tempo_bpm or self.session.tempo_bpm
        self.next_tempo_bpm = playable_bpm(now + steps * TEMPO_STEP_BPM)
        return f"next run at {self.next_tempo_bpm:g} bpm"

    def _mix_by(self, command: keys.Command) -> str:
        """Choose a part, or change the one that is chosen."""
        part = PARTS[self.chosen]
        mix = self.mix[part]
        match command.name:
            case "choose" if PARTS[command.number] == "guide" and not self.has_guide:
                return "no guide bass plays here; --guide on brings one"
            case "choose":
                self.chosen = command.number
                return f"{PARTS[self.chosen]} chosen"
            case "mute":
                return self._mix(part, f"{part} {'back' if mix.muted else 'muted'}", muted=not mix.muted)
            case "alone":
                return self._mix(part, f"{part} {'with the others' if mix.solo else 'alone'}", solo=not mix.solo)
            case _:
                volume = round(min(1.0, max(0.0, mix.volume_frac + command.number * VOLUME_STEP)), 2)
                return self._mix(part, f"{part} {round(100 * volume)}", volume_frac=volume)

    def _mark(self) -> str:
        """ "That one": the bar that sounds, or the one before if this one has only begun."""
        beats = self._beats_at(perf_counter_ns()) - MARK_BACK_BEATS
        if beats < self.chart.first_beats:
            return "nothing has been played yet to mark"
        bar = self.chart.bars[int(self.chart.bar_idx_at(beats))]
        if (bar.chorus, bar.bar) not in self.marked:
            self.marked.append((bar.chorus, bar.bar))
            self.link.say(Facts({"marked": [list(place) for place in self.marked]}))
        return f"marked: {round_word(self.chart)} {bar.chorus} bar {bar.bar}"

    def _mix(self, part: str, text: str, **changes: Any) -> str:
        self.mix[part] = replace(self.mix[part], **changes)
        self.link.say(Mix(part_gains(self.mix)))
        return text

    def _send_facts(self) -> None:
        error = self.keys.stamp_error_ms()
        if self.options.typing and error is not None:
            self.link.say(Facts({"typing_stamp_ms": error}))

    # --- the screen -------------------------------------------------------------------------------------------------

    def _beats_at(self, front_ns: int) -> float:
        place = self.place
        if place is None:
            return self.chart.count_in_beats
        beats = place.beats
        if place.state in ("count_in", "playing"):
            passed_s = (front_ns + self.link.engine_minus_front_ns - place.engine_ns) * 1e-9
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
        mean_ms = None if figures.mean_asynchrony_s is None else figures.mean_asynchrony_s * 1e3
        centre_s = 0.0 if calibrated or figures.own_average_s is None else figures.own_average_s
        running = RunningFigures(
            swing_ratio=figures.swing_ratio,
            n_pairs=figures.n_pairs,
            band_ratio=self.chart.swing_ratio,
            roots=figures.roots,
            changes=figures.changes,
            mean_ms=mean_ms if calibrated else None,  # nobody is told to be late by what may be the set-up
        )
        at_beats = self._beats_at(perf_counter_ns())
        cue, cue_large = self._cue(at_beats)
        return ScreenState(
            chart=self.chart,
            at_beats=at_beats,
            phase="waiting" if place is None else "ended" if place.state == "finished" else place.state,
            tempo_bpm=place.tempo_bpm if place is not None else None,
            lane_ms=tuple((second - centre_s) * 1e3 for second in figures.last_asynchronies_s),
            lane_beats=figures.last_beats,
            lane_centred=not calibrated,
            n_notes=len(self.heard),
            warnings=self.notices.on_screen(time.monotonic()),
            mix=tuple(
                PartLevel(name, part.volume_frac, part.muted, part.solo, i == self.chosen, i + 1)
                for i, (name, part) in enumerate(self.mix.items())
                if name != "guide" or self.has_guide
            ),
            figures=running if self.options.figures else None,
            calm=self.options.calm,
            source=self._source(),
            next_tempo_bpm=self.next_tempo_bpm,
            typing=self.options.typing,
            ascii_only=self.options.ascii_only or not writes_blocks(sys.stdout),
            note=self.note,
            cue=cue,
            cue_large=cue_large,
            open_end=bool(self.options.cues) or self.options.open_end,
            counts_to_idx=self._counts_to_idx(),
            task=self.options.task,
            help=self.help,
            tab=self.options.tab,
        )

    def _source(self) -> str:
        """What is heard, and the page's address: the line before the song is gone in a moment; who types it in needs
        longer.
        """
        source = "computer keyboard" if self.options.typing else ""
        if self.ready is not None and self.ready.midi_in is not None:
            source = self.ready.midi_in
        elif self.ready is not None and self.ready.bass_in is not None:
            source = self.ready.bass_in
        elif self.options.script is not None:
            source = self.options.source or "stand-in player"
        page = f"page: {self.page.url}" if self.page is not None else ""
        return " · ".join(filter(None, (source, page)))

    def _cue(self, at_beats: float) -> tuple[str, bool]:
        """What is called, of several that stand the last; and whether in block letters: while new, and as it comes.

        Where nothing is, whose turn it is next.
        """
        called = [cue for cue in self.options.cues if cue[0] <= at_beats < cue[1]]
        if not called:
            turn = self.chart.turn_called(at_beats)
            return turn, bool(turn)
        start, gone, text = max(called)
        return text, bool(text) and (at_beats < start + CUE_LARGE_BEATS or at_beats >= gone - CUE_LARGE_BEATS)

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
            for line in map(clean_text, lines):
                try:
                    print(line, flush=True)
                except UnicodeEncodeError:
                    print(line.encode("ascii", "replace").decode("ascii"), flush=True)
        except (OSError, ValueError):
            self.screen.gone = True


def _read(path: Path) -> Take | None:
    from trainer.take import read_take

    with contextlib.suppress(TrainerError):
        return read_take(path)
    return None


def _status_words(status: int | None) -> str:
    if status is None:
        return ""
    return f" (signal {-status})" if status < 0 else f" (exit status {status})"


def play(session: Session, options: PlayOptions | None = None) -> PlayResult:
    """Play a session: the band sounds, the player is heard and recorded, the take is written.

    Draws the screen on a terminal, else prints a line a bar. Returns when the song has ended or was ended; raises only
    for what keeps the session from being played at all (`TrainerError`).
    """
    front = _Front(session, options or PlayOptions())
    return front.run()

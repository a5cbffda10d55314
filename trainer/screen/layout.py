"""Drawing a `ScreenState`: from two metres the chord now and next, the place in the form, the role; near, the rest.

One design for every size: the block letters and the grid grow with the terminal, and what does not fit is left out in a
fixed order. Shapes and words carry everything: only bold and reverse are used, no colour, so light and dark terminals
and any eyes read the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from textwrap import wrap

from rich.cells import cell_len

from trainer.music import Chord
from trainer.screen.font import block_rows, block_text, block_width
from trainer.screen.frame import Canvas, Frame, clean_text, fit
from trainer.screen.grid import chord_text, degree_text, draw_grid, fits_blocks, per_row
from trainer.screen.near import (
    STRIP_ROWS,
    draw_lane,
    draw_strip,
    figures_text,
    help_rows,
    key_lines,
    lane_of,
    mix_text,
    strip_cell,
)
from trainer.screen.state import ScreenState
from trainer.session import BEATS_PER_BAR

__all__ = ["MIN_HEIGHT", "MIN_WIDTH", "ROLE_HINTS", "render"]

MAX_WARNING_ROWS = 3  # our choice
ROOMY_FROM_HEIGHT = 30
N_FOLLOWING = 4  # chords after this one that are named; our choice
MIN_WIDTH, MIN_HEIGHT = 60, 16  # below this, words in lines instead of block letters
ROLE_HINTS = {"verse": "hold it down", "solo": "open up", "head": "as written", "intro": "lead in"}


def render(state: ScreenState, width: int, height: int) -> Frame:
    """The screen at `width` × `height` cells: a rich renderable whose every row has exactly `width` cells."""
    width, height = max(1, width), max(1, height)
    if width < MIN_WIDTH or height < MIN_HEIGHT:
        return _small(state, width, height)
    return _full(state, width, height)


def role_text(state: ScreenState) -> tuple[str, str]:
    """("CHORUS 2 of 5", "VERSE") for the place in the song; during a count-in, of the chorus to come.

    Where some choruses are only listened to: "LISTEN", and "YOUR VERSE" for the answer. A few bars are
    no chorus but a "ROUND".
    """
    bar = state.bar
    n = state.chart.n_choruses
    word = state.round_word.upper()
    head = "INTRO" if bar.chorus == 0 else f"{word} {bar.chorus}" + ("" if state.open_end else f" of {n}")
    if bar.chorus == 0:
        bar = next((b for b in state.chart.bars if b.chorus == 1), bar)
    return head, state.chart.role_words(bar).upper()


# --- the full design -------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Plan:
    """Rows given to each part, top to bottom; 0 leaves it out. `scale` is that of the block letters."""

    n_bar_rows: int  # the grid's whole form
    grid_rows: int = 0
    cell_rows: int = 1
    scale: int = 1
    roomy: int = 0
    boxed: int = 1
    big_role: bool = False
    tab: int = 0
    lane: int = 0
    figures: int = 0
    warnings: int = 0
    note: int = 1
    mix: int = 0
    keys: int = 0

    @property
    def near_rows(self) -> int:
        return self.lane + self.figures + self.warnings + self.note + self.mix + self.keys

    @property
    def grid_height(self) -> int:
        return self.grid_rows * (self.cell_rows + self.boxed) + self.boxed

    def left(self, height: int) -> int:
        """Rows that are over with the whole form in the grid; below 0: too many are wanted."""
        top = 4 + block_rows(self.scale) + 5 * self.roomy
        grid = 2 * self.n_bar_rows + 1 if self.boxed else self.n_bar_rows
        return height - top - grid - self.near_rows - self.tab


def _full(state: ScreenState, width: int, height: int) -> Frame:
    canvas = Canvas(width, height, ascii_only=state.ascii_only)
    plan = _plan(state, width, height)
    _header(canvas, state)
    y = _chords(canvas, state, 1 + plan.roomy, plan)
    y = _place(canvas, state, y + plan.roomy, plan) + plan.roomy
    room = height - plan.near_rows - y
    if state.help:
        if len(help_rows(state)) > room:  # a list that is cut helps nobody
            canvas, y = Canvas(width, height, ascii_only=state.ascii_only), 1
            _header(canvas, state)
        for i, (key, what) in enumerate(help_rows(state)):
            canvas.write(1, y + i, f"{key:<21}{what}")
        if y == 1:
            return canvas.frame()
    elif not (state.cue_large and _cue(canvas, state, y, room)):
        draw_grid(canvas, state, y, plan.grid_rows, boxed=bool(plan.boxed), cell_rows=plan.cell_rows)
        y += plan.grid_height
        y += height - plan.near_rows - y > plan.tab
        for i, line in enumerate(state.tab_here[: plan.tab]):
            canvas.write(1, y + i, fit(line, width - 2, ""))
    _near(canvas, state, plan)
    return canvas.frame()


def _plan(state: ScreenState, width: int, height: int) -> _Plan:
    plan = _wanted(state, width, height)
    # Cut back in this order until everything fits: a part of the screen, and the least that is left of it.
    for name, least in (
        ("warnings", 1),
        ("note", int(bool(state.cue) or not state.warnings)),
        ("boxed", 0),
        ("mix", 0),
        ("figures", 0),
        ("roomy", 0),
        ("keys", 1),
        ("lane", 0),
        ("tab", 0),
        ("scale", 1),
    ):
        while plan.left(height) < 0 and getattr(plan, name) > least:
            setattr(plan, name, 0 if name == "tab" else getattr(plan, name) - 1)
    over = plan.left(height)
    plan.grid_rows = plan.n_bar_rows if over >= 0 else max(1, plan.n_bar_rows + over)
    over -= _taller_cells(plan, state, width, over)
    strip = _strip_rows(plan, state, width)
    if strip and over >= strip:
        plan.lane = STRIP_ROWS
        over -= strip
    plan.big_role = bool(plan.roomy) and over >= block_rows(1)
    return plan


def _wanted(state: ScreenState, width: int, height: int) -> _Plan:
    """What would be shown if there were room for it all."""
    n_bars = len(state.chorus_bars)
    loud, tight = not state.calm, height < ROOMY_FROM_HEIGHT
    # What is called, the list of keys and the tablature want the lane's room.
    lane = loud and not state.tab_here and not (tight and (state.cue_large or state.help))
    return _Plan(
        n_bar_rows=-(-n_bars // per_row(n_bars)),
        scale=_scale_for(width, height),
        roomy=int(not tight),
        tab=len(state.tab_here),
        lane=2 * lane,
        figures=int(loud and state.figures is not None),
        warnings=len(_warning_rows(state, width, MAX_WARNING_ROWS)),
        mix=int(loud and bool(state.mix)),
        keys=len(key_lines(state, width)),
    )


def _strip_rows(plan: _Plan, state: ScreenState, width: int) -> int:
    """Rows more for the last chorus beat by beat; 0 where it cannot be shown."""
    return STRIP_ROWS - plan.lane if plan.lane and strip_cell(state, width) else 0


def _taller_cells(plan: _Plan, state: ScreenState, width: int, over: int) -> int:
    """Make the grid's cells as high as the rows that are `over` allow; the rows that this takes.

    What is over goes to what is read from afar: chords of the grid in block letters or twice as tall, the last chorus
    beat by beat, then the chorus and its role in block letters.
    """
    heights = [(2, 0)]
    if fits_blocks(state, width):
        heights.insert(0, (block_rows(1), _strip_rows(plan, state, width)))
    for rows, beside in heights:
        more = plan.n_bar_rows * (rows - 1)
        if plan.boxed and over >= more + beside:
            plan.cell_rows = rows
            return more
    return 0


def _scale_for(width: int, height: int) -> int:
    """Scale of the block letters: as large as leaves 60 % of the height and room for the next chord beside."""
    by_height = max(s for s in range(1, 9) if block_rows(s) <= max(4, int(height * 0.32)))
    by_width = max(1, width // 38)
    return max(1, min(by_height, by_width))


def _header(canvas: Canvas, state: ScreenState) -> None:
    session = state.chart.session
    tempo_bpm = state.tempo_bpm if state.tempo_bpm is not None else session.tempo_bpm
    # A band breathes: its tempo of the moment in whole beats, lest the corner flicker.
    shown_bpm = round(tempo_bpm, 1) if tempo_bpm == session.tempo_bpm else round(tempo_bpm)
    groove = session.groove.replace("_", " ")
    right = f"{session.key.name} · {shown_bpm:g} bpm · {groove} {session.swing_ratio:g}:1"
    if state.next_tempo_bpm is not None and state.next_tempo_bpm != tempo_bpm:
        right += f" · next run {state.next_tempo_bpm:g} bpm"
    right = fit(right, canvas.width * 2 // 3)
    title = fit(clean_text(session.title), canvas.width - cell_len(right) - 3)
    canvas.write(1, 0, title, "bold")
    canvas.write_right(canvas.width - 1, 0, right)


def _block(canvas: Canvas, x: int, y: int, width: int, text: str, scale: int, rows: int, ascii_only: bool) -> int:
    """Block letters at the largest scale up to `scale` that fits `width` columns; the columns used.

    Smaller text stands on the foot of the `rows`; what does not fit even at scale 1 is written plainly.
    """
    for s in range(scale, 0, -1):
        if block_width(text, s) <= width:
            canvas.write_block(x, y + rows - block_rows(s), block_text(text, s, ascii_only), "bold")
            return block_width(text, s)
    plain = fit(text, width, "")
    canvas.write(x, y + rows - 1, plain, "bold")
    return cell_len(plain)


def _chord(canvas: Canvas, x: int, y: int, width: int, chord: Chord, scale: int, rows: int, ascii_only: bool) -> int:
    """A chord in block letters: its root as large as may be, the quality smaller when both do not fit."""
    whole = chord_text(chord, ascii_only)
    root = whole[: len(chord.root)]
    if block_width(whole, scale) <= width:
        return _block(canvas, x, y, width, whole, scale, rows, ascii_only)
    for root_scale in range(scale, 0, -1):
        for quality_scale in range(root_scale, 0, -1):
            gap = quality_scale
            used = block_width(root, root_scale) + gap + block_width(chord.quality, quality_scale)
            if used <= width:
                first = _block(canvas, x, y, width, root, root_scale, rows, ascii_only)
                _block(canvas, x + first + gap, y, width - first, chord.quality, quality_scale, rows, ascii_only)
                return used
    return _block(canvas, x, y, width, whole, 1, rows, ascii_only)


def _chords(canvas: Canvas, state: ScreenState, y: int, plan: _Plan) -> int:
    """The chord now and the next one side by side; the row under them."""
    rows = block_rows(plan.scale)
    split = canvas.width * 57 // 100
    canvas.write(1, y, _now_label(state), "bold")
    if state.phase == "ended":
        _block(canvas, 1, y + 1, split - 4, "END", plan.scale, rows, state.ascii_only)
    else:
        canvas.write(split, y, "NEXT", "bold")
        _chord_now(canvas, state, y + 1, split - 4, plan.scale)
        for row in range(rows + 1):
            canvas.write(split - 2, y + row, "|" if state.ascii_only else "│")
        _chord_next(canvas, state, split, y, rows, max(1, plan.scale - 1))
    return y + 1 + rows


def _chord_now(canvas: Canvas, state: ScreenState, top: int, room: int, scale: int) -> None:
    """The chord that sounds, its degree one size smaller beside it where both fit; the beat while it is counted in."""
    rows, ascii_only, span = block_rows(scale), state.ascii_only, state.span
    if state.counting_in and state.phase != "waiting":
        _block(canvas, 1, top, room, str(state.beat), scale, rows, ascii_only)
        return
    degree = degree_text(span.degree, ascii_only)
    small = max(1, scale - 1)
    degree_room = block_width(degree, small) + 2 * small if not ascii_only or len(degree) <= 4 else 0
    if room - degree_room < block_width("G7", scale):
        degree_room = 0
    used = _chord(canvas, 1, top, room - degree_room, span.chord, scale, rows, ascii_only)
    if degree_room:
        letters = block_text(degree, small, ascii_only)
        canvas.write_block(1 + used + 2 * small, top + rows - block_rows(small), letters)


def _chord_next(canvas: Canvas, state: ScreenState, x: int, y: int, rows: int, scale: int) -> None:
    """The next chord, with the bars until it behind its label and in figures at the side, and what follows it."""
    change, ascii_only = state.next_change, state.ascii_only
    top, room = y + 1, canvas.width - x - 1
    if change.span is None:
        canvas.write(x + 6, y, "the end " + _distance(change.bars, change.beats))
        _block(canvas, x, top, room, "END", scale, rows, ascii_only)
        return
    degree = degree_text(change.span.degree, ascii_only)
    canvas.write(x + 6, y, f"{degree}  {_distance(change.bars, change.beats)}")
    count = str(change.bars) if change.bars else ""
    count_room = block_width(count, scale) + 3 * scale if count else 0
    _chord(canvas, x, top, room - count_room, change.span.chord, scale, rows, ascii_only)
    if rows > block_rows(scale) + 1:
        _following(canvas, state, x, top, room)
    if count:
        foot = top + rows - block_rows(scale)
        right = canvas.width - 1
        canvas.write_block(right - block_width(count, scale), foot, block_text(count, scale, ascii_only))
        if rows > block_rows(scale):
            canvas.write_right(right, foot - 1, _bars(change.bars))


def _following(canvas: Canvas, state: ScreenState, x: int, y: int, room: int) -> None:
    """The chords after the next one, each with the bars until it; as many as fit."""
    text = "then"
    for change in state.following(N_FOLLOWING)[1:]:
        name = "the end" if change.span is None else chord_text(change.span.chord, state.ascii_only)
        longer = f"{text}{',' if text != 'then' else ''} {name} in {change.bars}"
        if cell_len(longer) > room:
            break
        text = longer
    if text != "then":
        canvas.write(x, y, text)


def _now_label(state: ScreenState) -> str:
    if state.phase == "paused":
        return "PAUSED: p goes on"
    if state.phase == "waiting":
        return "READY"
    if state.phase == "ended":
        return "DONE"
    if state.counting_in:
        return "COUNT-IN"
    bar = state.bar
    words = f"NOW  {degree_text(state.span.degree, state.ascii_only)}"
    if bar.final:
        return words + "  last bar: hold the tonic"
    if bar.drop_out:
        return words + "  BAND OUT: you carry the time"
    if bar.stopped:
        return words + "  STOPS: band on 1 only"
    if bar.pedal:
        return words + "  pedal"
    return words


def _bars(n: int) -> str:
    return "bar" if n == 1 else "bars"


def _distance(bars: int, beats: int) -> str:
    if bars:
        return f"in {bars} {_bars(bars)}"
    return f"in {beats} beat{'' if beats == 1 else 's'}"


def _beat_box(state: ScreenState, beat: int, width: int, numbered: bool) -> tuple[str, str]:
    """One beat of the bar as a box `width` cells wide: solid, its number in brackets, while it sounds."""
    now = state.phase in ("playing", "count_in", "paused") and beat == state.beat
    fill = "#" if state.ascii_only else "█"
    line = "-" if state.ascii_only else "─"
    label = (f"[{beat}]" if now else f" {beat} ") if numbered else (fill if now else line) * 3
    side = max(1, (width - 5) // 2)
    return (fill if now else line) * side + label + (fill if now else line) * side, "bold" if now else ""


def _place(canvas: Canvas, state: ScreenState, y: int, plan: _Plan) -> int:
    """The beat and the place in the song: two rows, four when there is room."""
    width = canvas.width
    cell = max(7, (width - 2) // BEATS_PER_BAR)
    for repeat in range(1 + plan.roomy):
        for beat in range(1, BEATS_PER_BAR + 1):
            text, style = _beat_box(state, beat, cell, numbered=repeat == 0)
            canvas.write(1 + (beat - 1) * cell, y + repeat, text, style)
    y += 1 + 2 * plan.roomy
    head, role = role_text(state)
    meter_y = y
    if plan.big_role:
        words = f"{head.removeprefix('CHORUS ').replace(' of ', '/')} {role}"
        used = _block(canvas, 1, y, width - 2, words, 1, block_rows(1), state.ascii_only)
        y += block_rows(1) - 1
        x = canvas.write(used + 2, y, f" {head} ", "bold") if head.startswith("CHORUS") else used + 1
    else:
        x = canvas.write(1, y, f" {head} ", "bold reverse")
        x = canvas.write(x + 1, y, f" {role} ", "bold reverse")
        used = 0
    x = canvas.write(x + 1, y, _hint_and_bar(state, role, width - x - 2))
    if (state.bar.role == "solo" or role == "SOLO") and not state.bar.heard:
        canvas.write_right(width - 1, meter_y, _intensity(state, width - (used or x) - 3))
    return y + 1


def _hint_and_bar(state: ScreenState, role: str, room: int) -> str:
    """What is asked for here, and the bar of the form; where both do not fit the bar alone."""
    bar, bars = state.bar, state.chorus_bars
    hint = state.task or ("then it is yours" if bar.heard else ROLE_HINTS.get(role.lower(), ""))
    if state.counting_in:
        place = f"from bar {bar.bar}" if state.counts_to_idx else ""
    elif state.chart.session.loop is not None:
        place = f"bar {bar.bar}, going round {bars[0].bar}–{bars[-1].bar}"
    else:
        place = f"bar {bar.bar} of {bars[-1].bar}"
    pieces = [piece for piece in (hint, place) if piece]
    if cell_len(" · ".join(pieces)) > room:
        pieces = pieces[-1:]  # where one is says more than what one knows
    return fit(" · ".join(pieces), room)


def _intensity(state: ScreenState, room: int) -> str:
    """How high the solo is meant to stand now, and in the next chorus if that differs."""
    bar = state.bar
    full, empty = ("#", ".") if state.ascii_only else ("█", "░")
    n = 10
    filled = round(bar.intensity * n)
    text = f"height {full * filled}{empty * (n - filled)} {bar.intensity:.2g}"
    later = next((b for b in state.chart.bars if b.chorus == bar.chorus + 1), None)
    if later is not None and later.intensity != bar.intensity and not state.open_end:
        word = "up" if later.intensity > bar.intensity else "down"
        longer = f"{text}, then {word} to {later.intensity:.2g}"
        if cell_len(longer) <= room:
            return longer
    return text if cell_len(text) <= room else ""


def _cue(canvas: Canvas, state: ScreenState, y: int, room: int) -> bool:
    """What is called, in block letters as large as `room` rows take, its second half in words; False if none fit."""
    head, _, rest = clean_text(state.cue).partition(":")
    words = re.sub(r"[^A-Z0-9 -]+", " ", head.upper()).split()
    width = canvas.width - 2
    for scale in range(4, 0, -1):
        lines: list[str] = []
        for word in words:
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and block_width(longer, scale) <= width:
                lines[-1] = longer
            else:
                lines.append(word)
        rows = len(lines) * (block_rows(scale) + 1) - 1 + bool(rest)
        if words and rows <= room and all(block_width(line, scale) <= width for line in lines):
            for line in lines:
                canvas.write_block(1, y, block_text(line, scale, state.ascii_only), "bold")
                y += block_rows(scale) + 1
            canvas.write(1, y - 1 if rest else y, fit(rest.strip(), width), "bold")
            return True
    return False


def _near(canvas: Canvas, state: ScreenState, plan: _Plan) -> None:
    """From the foot of the screen upwards: keys, mixer, warnings, figures, lane."""
    y = canvas.height
    width = canvas.width
    lines = key_lines(state, width)[: plan.keys]
    for line in reversed(lines):
        y -= 1
        canvas.write(1, y, line)
    if plan.mix:
        y -= 1
        canvas.write(1, y, mix_text(state.mix, width - 2))
    if plan.note:
        y -= 1
        if state.cue:
            canvas.write(1, y, fit(f" {clean_text(state.cue)} ".ljust(width - 2), width - 2), "bold reverse")
        else:
            canvas.write(1, y, fit(clean_text(state.note or state.source), width - 2))
    for line in reversed(_warning_rows(state, width, plan.warnings)):
        y -= 1
        canvas.write(1, y, line, "bold")
    if plan.figures:
        y -= 1
        canvas.write(1, y, fit(figures_text(state), width - 2))
    if plan.lane:
        draw_lane(canvas, state, y - 2) if plan.lane == 2 else draw_strip(canvas, state, y - plan.lane)


def _warning_rows(state: ScreenState, width: int, n_rows: int) -> list[str]:
    """The newest warnings in at most `n_rows` rows; one that is too long goes on in the next where there is room."""
    texts = [clean_text(text) for text in state.warnings[max(0, len(state.warnings) - n_rows) :]]
    spare = n_rows - len(texts)
    out: list[str] = []
    for text in reversed(texts):
        lines = wrap(text, width - 4)
        if len(lines) - 1 > spare:
            lines = [*lines[:spare], " ".join(lines[spare:])]
        spare -= max(len(lines) - 1, 0)
        out = [f"{'! ' if i == 0 else '  '}{fit(line, width - 4)}" for i, line in enumerate(lines)] + out
    return out


# --- small terminals -------------------------------------------------------------------------------------------------


def _small(state: ScreenState, width: int, height: int) -> Frame:
    """Words in lines, the most needed first, for a terminal too small for block letters."""
    canvas = Canvas(width, height, ascii_only=state.ascii_only)
    head, role = role_text(state)
    span, change = state.span, state.next_change
    now = f"{chord_text(span.chord, state.ascii_only)} {degree_text(span.degree, state.ascii_only)}"
    if state.counting_in:
        now = f"COUNT-IN {state.beat}"
    if state.phase == "paused":
        now = f"PAUSED {now}"
    if state.phase == "ended":
        now = "END"
    after = "the end" if change.span is None else chord_text(change.span.chord, state.ascii_only)
    lines = [
        (now, "bold reverse"),
        (f"next {after} {_distance(change.bars, change.beats)}", "bold"),
        (f"bar {state.bar.bar} of {state.chorus_bars[-1].bar}  beat {state.beat}", ""),
        (f"{head} {role}", ""),
        *(((f" {clean_text(state.cue)} ", "bold reverse"),) if state.cue else ()),
        *((f"! {clean_text(text)}", "bold") for text in state.warnings[-2:]),
    ]
    if not state.calm:
        lane = lane_of(state.lane_ms, max(5, width - 14), state.middle_word, state.ascii_only)
        lines.append((f"      {lane.strokes}", ""))
        lines.append((f"ahead {lane.ruler} behind", ""))
        lines.append(("q stop  p pause  r top", ""))
    else:
        lines.append(("q stop", ""))
    for y, (text, style) in enumerate(lines[:height]):
        canvas.write(0, y, fit(text, width, ""), style)
    return canvas.frame()

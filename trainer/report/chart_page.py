"""The chart on one page for the stand: the form's bars with chords and numerals, and the song chorus by chorus. PDF.

Painted with matplotlib, A4 upright, black on white; shapes and words only, so that any printer will do.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from typing import Any

from trainer.music import FORMS, GROOVES
from trainer.plain import plain
from trainer.session import Chart, ChartBar, Session

__all__ = ["chart_page", "extra_words", "song_rows"]

_WIDTH, _HEIGHT = 210.0, 297.0  # ISO 216, A4, in millimetres
_LEFT, _RIGHT = 16.0, 194.0
_MAX_SONG_ROWS = 18
_LINE_LETTERS = 84  # as many as a line holds in the size that is read from the stand
_INK, _GREY = "#111111", "#555555"


def song_rows(chart: Chart) -> list[tuple[str, str, float, str]]:
    """(chorus or choruses, role, intensity, what is special), choruses that are alike next to one another together."""
    plain = _form_bars(chart)
    rows: list[tuple[int, int, str, float, str]] = []
    for chorus in range(chart.bars[0].chorus, chart.n_choruses + 1):
        bars = [bar for bar in chart.bars if bar.chorus == chorus]
        role, level, words = bars[0].role if chorus else "intro", bars[0].intensity, _special(bars, plain)
        if rows and chorus > 1 and rows[-1][2:] == (role, level, words):
            rows[-1] = (rows[-1][0], chorus, role, level, words)
        else:
            rows.append((chorus, chorus, role, level, words))
    return [
        ("" if first == 0 else str(first) if first == last else f"{first}–{last}", role, level, words)
        for first, last, role, level, words in rows
    ]


def _form_bars(chart: Chart) -> list[ChartBar]:
    """Chorus 1 without a tag, by which the others are told apart."""
    return _once([bar for bar in chart.bars if bar.chorus == 1])


def _once(bars: Sequence[ChartBar]) -> list[ChartBar]:
    """The bars of a chorus up to where a tag repeats them."""
    return [bar for i, bar in enumerate(bars) if bar.bar not in {before.bar for before in bars[:i]}]


def extra_words(session: Session) -> list[str]:
    """What a session asks for besides the bars, in words: start, end, pick-up, guide, a band that listens."""
    out = []
    if session.start != "top":
        out.append(f"starts {session.start.replace('_', ' ')}")
    if session.pickup_beats:
        out.append(f"pick-up of {session.pickup_beats:g} beat{'' if session.pickup_beats == 1.0 else 's'}")
    if session.ending != "plain":
        out.append({"stop": "a stop at the end", "tag": "tag three times", "ritard": "ritard"}[session.ending])
    if session.guide != "off":
        out.append("guide bass" + (" every other chorus" if session.guide == "every_other" else ""))
    if session.listen:
        out.append("the band listens")
    if session.tempo_push_pct:
        way = "faster" if session.tempo_push_pct > 0.0 else "slower"
        out.append(f"{abs(session.tempo_push_pct):g} % {way} by the end")
    out += [f"{limb} swings {ratio:g}:1" for limb, ratio in session.limb_swing]
    return out


def _special(bars: Sequence[ChartBar], plain: Sequence[ChartBar]) -> str:
    once = _once(bars)
    words = [f"bars {_span([bar.bar for bar in bars])} of the form"] if bars[0].chorus == 0 else []
    for name, which in (
        ("band out: you carry the time", [bar.bar for bar in once if bar.drop_out]),
        ("stops", [bar.bar for bar in once if bar.stopped]),
        ("pedal", [bar.bar for bar in once if bar.pedal]),
        ("only listen", [bar.bar for bar in once if bar.heard]),
    ):
        if which:
            words.append(f"bar{'s' * (len(which) > 1)} {_span(which)} {name}")
    if bars[0].chorus:
        words += _other_than(plain, once)
    return ", ".join([*words, *_close(bars, once)])


def _other_than(plain: Sequence[ChartBar], once: Sequence[ChartBar]) -> list[str]:
    """What a chorus has otherwise than the form: the bass's line, chords of its last bars."""
    usual = {bar.bar: bar.chords for bar in plain}
    line = once[0].line
    words = [] if line == plain[0].line else [f"bass plays {line.replace('_', '-')}"]
    changed = [f"bar {bar.bar} {_chords(bar)}" for bar in once if bar.chords != usual.get(bar.bar)]
    return [*words, "; ".join(changed[-4:])] if changed else words


def _close(bars: Sequence[ChartBar], once: Sequence[ChartBar]) -> list[str]:
    """How the song ends: with a tag, slower, with its last bar held."""
    if len(once) < len(bars):
        again = bars[len(once) :]
        numbers = [bar.bar for bar in _once(again)]
        n = len(again) // len(numbers)
        times = {1: "once more", 2: "twice more"}.get(n, f"{n} times more")
        return [f"bars {_span(numbers)} {times}, {_chords(bars[-1])} held"]
    ends = (("slowing down", bars[-1].ritard), ("the last bar is held", bars[-1].final))
    return [words for words, there in ends if there]


def _span(numbers: Sequence[int]) -> str:
    """Numbers as ranges: 1–3, 7."""
    out: list[list[int]] = []
    for number in numbers:
        if out and number == out[-1][1] + 1:
            out[-1][1] = number
        else:
            out.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in out)


def _chords(bar: ChartBar) -> str:
    return " ".join(_sign(chord.name) for chord in bar.chords)


def _sign(name: str) -> str:
    return name[:1] + {"b": "♭", "#": "♯"}.get(name[1:2], name[1:2]) + name[2:]


def chart_page(chart: Chart, kind: str = "pdf") -> bytes:
    """The page as a PDF, or as another kind of picture that matplotlib writes ("png", "svg")."""
    import matplotlib
    from matplotlib.figure import Figure as Drawing

    buffer = io.BytesIO()
    with matplotlib.rc_context({"pdf.fonttype": 42, "font.family": "DejaVu Sans"}):
        drawing = Drawing(figsize=(_WIDTH / 25.4, _HEIGHT / 25.4))
        axes = drawing.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, _WIDTH)
        axes.set_ylim(_HEIGHT, 0)
        axes.axis("off")
        y = _head(axes, chart)
        y = _grid(axes, chart, y)
        _song(axes, chart, y + 10.0)
        metadata = {"CreationDate": None, "Producer": None} if kind == "pdf" else None
        drawing.savefig(buffer, format=kind, metadata=metadata)
    return buffer.getvalue()


def _write(axes: Any, x: float, y: float, text: str, size: float, **style: Any) -> None:
    axes.text(x, y, text, fontsize=size, parse_math=False, **({"color": _INK, "va": "baseline"} | style))


def _fitting(text: str, size: float, width_mm: float) -> float:
    """The size at which a text fits a width; DejaVu Sans bold is about 0.78 of its size wide a letter."""
    return min(size, width_mm / max(1, len(text)) / 0.78 / 0.3528)


def _fitting_plain(text: str, size: float, width_mm: float) -> float:
    """The same for a sentence in DejaVu Sans, about 0.58 of its size wide a letter."""
    return min(size, width_mm / max(1, len(text)) / 0.58 / 0.3528)


def _head(axes: Any, chart: Chart) -> float:
    session = chart.session
    title = plain(session.title)
    _write(axes, _LEFT, 26.0, title, _fitting(title, 24.0, _RIGHT - _LEFT), weight="bold")
    form = FORMS[session.form].title if session.form in FORMS else "A chart of its own"
    feel = "even eighths" if session.swing_ratio <= 1.0 else f"swing {session.swing_ratio:g} : 1"
    groove = GROOVES[session.groove].title if session.groove in GROOVES else session.groove
    beat = "♩." if session.groove in GROOVES and GROOVES[session.groove].compound else "♩"
    first = f"Key of {_sign(session.key.name)}   {beat} = {session.tempo_bpm:g}   {feel}   {groove}"
    count = f"{session.count_in_bars} bar{'s' * (session.count_in_bars != 1)} counted in"
    _write(axes, _LEFT, 36.0, first, _fitting_plain(first, 14.0, _RIGHT - _LEFT))
    bars = _form_bars(chart)
    choruses = f"{chart.n_choruses} chorus{'es' * (chart.n_choruses != 1)}"
    asked = f"bass plays {bars[0].line.replace('_', '-')}"
    # A built-in form's name says how many bars it has; a loop's or a chart's own does not.
    size = "" if session.form in FORMS and session.loop is None else f", {len(bars)} bars"
    second = f"{form}{size}; {choruses}; {asked}; {count}"
    _write(axes, _LEFT, 43.5, second, _fitting_plain(second, 11.0, _RIGHT - _LEFT), color=_GREY)
    y = 50.0
    for line in textwrap.wrap(", ".join(extra_words(session)), _LINE_LETTERS):
        _write(axes, _LEFT, y - 0.5, line, _fitting_plain(line, 11.0, _RIGHT - _LEFT), color=_GREY)
        y += 6.0
    return y


def _grid(axes: Any, chart: Chart, y: float) -> float:
    from matplotlib.patches import Rectangle

    bars = _form_bars(chart)
    across = 4 if len(bars) <= 32 else 8
    n_rows = -(-len(bars) // across)
    # As large as the song below leaves room for: the page is read from the stand.
    song = 20.0 + 9.0 * min(len(song_rows(chart)), _MAX_SONG_ROWS)
    width, height = (_RIGHT - _LEFT) / across, min(44.0, max(150.0, _HEIGHT - 16.0 - y - song) / n_rows)
    for i, bar in enumerate(bars):
        x, top = _LEFT + (i % across) * width, y + (i // across) * height
        axes.add_artist(Rectangle((x, top), width, height, facecolor="none", edgecolor=_INK, linewidth=1.0))
        _write(axes, x + 1.4, top + 4.2, str(bar.bar), 9.0, color=_GREY)
        share = width / len(bar.chords)
        size = min(44.0, height * 1.1) if len(bar.chords) == 1 else min(26.0, height * 0.8)
        for k, (chord, degree) in enumerate(zip(bar.chords, bar.degrees, strict=True)):
            middle = x + (k + 0.5) * share
            name = _sign(chord.name)
            fits = _fitting(name, size, share - 3.0)
            _write(axes, middle, top + height * 0.62, name, fits, ha="center", weight="bold")
            degree = {"b": "♭", "#": "♯"}.get(degree[:1], degree[:1]) + degree[1:]
            _write(axes, middle, top + height * 0.87, degree, min(13.0, height * 0.42), ha="center", color=_GREY)
        if bar.turnaround and not (i and bars[i - 1].turnaround):
            _write(axes, x + width - 1.4, top + 4.2, "turnaround", 9.0, ha="right", style="italic")
    for row in range(n_rows):  # a heavier line where each line of the form begins and ends
        top = y + row * height
        ends = min(across, len(bars) - row * across)
        for x in (_LEFT, _LEFT + ends * width):
            axes.plot((x, x), (top, top + height), color=_INK, linewidth=2.4, solid_capstyle="butt")
    return y + n_rows * height


def _song(axes: Any, chart: Chart, y: float) -> None:
    from matplotlib.patches import Rectangle

    rows = song_rows(chart)
    _write(axes, _LEFT, y, "The song", 13.0, weight="bold")
    _write(axes, _LEFT + 62.0, y, "how hard the band plays", 9.0, color=_GREY)
    step = min(9.0, (_HEIGHT - 14.0 - y) / max(1, min(len(rows), _MAX_SONG_ROWS)))
    hints = {"verse": "hold it down", "solo": "open up", "head": "as written", "intro": "lead in"}
    for i, (number, role, level, words) in enumerate(rows[:_MAX_SONG_ROWS]):
        at = y + (i + 1) * step
        if i == _MAX_SONG_ROWS - 1 and len(rows) > _MAX_SONG_ROWS:
            _write(axes, _LEFT, at, f"… and {len(rows) - i} more lines like these", 9.0)
            break
        _write(axes, _LEFT, at, number, 11.5, weight="bold")
        _write(axes, _LEFT + 14.0, at, role, 11.5, weight="bold")
        _write(axes, _LEFT + 32.0, at, hints.get(role, ""), 10.5, color=_GREY)
        axes.add_artist(Rectangle((_LEFT + 62.0, at - 2.6), 24.0, 2.6, facecolor="none", edgecolor=_INK, linewidth=0.7))
        axes.add_artist(Rectangle((_LEFT + 62.0, at - 2.6), 24.0 * level, 2.6, facecolor=_INK, linewidth=0))
        _write(axes, _LEFT + 88.5, at, f"{level:.2g}", 9.0, color=_GREY)
        if words:
            _write(axes, _LEFT + 98.0, at, words, _fitting_plain(words, 10.5, _RIGHT - _LEFT - 98.0))

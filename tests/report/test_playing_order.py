"""The order of bars: D.C., D.S., to coda, coda, fine, repeats and endings, as `music21` expands the same documents.

Where `music21` plays a first ending twice (an ending without a repeat after it) the order is common practice, by hand.
"""

from __future__ import annotations

import contextlib
import re
import warnings
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.errors import FileFormatError
from trainer.report.musicxml_in import read_musicxml
from trainer.report.playing_order import Jump, Order, playing_order
from trainer.report.transcription import read_transcription

SOUNDS = {
    "Fine": 'fine="yes"', "D.C. al Fine": 'dacapo="yes"', "D.C.": 'dacapo="yes"', "D.S. al Fine": 'dalsegno="1"',
    "D.S. al Coda": 'dalsegno="1"', "D.C. al Coda": 'dacapo="yes"', "To Coda": 'tocoda="1"', "segno": 'segno="1"',
    "coda": 'coda="1"',
}  # fmt: skip

# A bar a word: ":" a repeat on that side, a digit its ending, the rest a mark: before the note where it is a goal.
PIECES = {
    "da capo": ["-", "-", "- D.C."],
    "da capo al fine": ["-", "- Fine", "-", "- D.C. al Fine"],
    "dal segno al fine": ["-", "segno", "- Fine", "- D.S. al Fine"],
    "dal segno al coda": ["-", "segno", "- To Coda", "- D.S. al Coda", "coda", "-"],
    "no repeat after a da capo": [":", "-:", "- Fine", "- D.C. al Fine"],
    "the coda's own repeat": ["-", "- To Coda", "- D.C. al Coda", "coda", ":", "-:"],
    "three endings": [":", "-", "1:", "2:", "3", "-"],
}
BY_HAND = {
    "the last ending after a da capo": (
        [":", "1:", "2", "- Fine", "- D.C. al Fine"], [1, 2, 1, 3, 4, 5, 1, 3, 4]),
    "dal segno in the second ending": (
        [": segno", "- To Coda", "1:", "2 D.S. al Coda", "coda", "-"], [1, 2, 3, 1, 2, 4, 1, 2, 5, 6]),
    "to coda at the head of its bar": (["-", "To Coda", "- D.C. al Coda", "coda"], [1, 2, 3, 1, 4]),
    "fine without a da capo": (["-", "- Fine", "-"], [1, 2, 3]),
}  # fmt: skip


def document(bars: list[str], *, said: bool = True) -> str:
    """A bar of one whole note each, rising by steps; `said`: with sound elements, else signs and words alone."""
    out = ['<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Bass</part-name></score-part>']
    out.append('</part-list><part id="P1">')
    for i, bar in enumerate(bars):
        found = re.fullmatch(r"(:?)(\d?)(-?)(:?) ?(.*)", bar)
        assert found is not None
        forward, ending, _, backward, mark = found.groups()
        kind = f"<{mark}/>" if mark in ("segno", "coda") else f"<words>{mark}</words>"
        sound = f"<sound {SOUNDS[mark]}/>" if mark and said else ""
        direction = f"<direction><direction-type>{kind}</direction-type>{sound}</direction>" if mark else ""
        first = mark in ("segno", "coda") or bar == mark
        out.append(f'<measure number="{i + 1}">')
        if i == 0:
            out.append("<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time>")
            out.append("<clef><sign>F</sign><line>4</line></clef></attributes>")
        begins = f'<ending number="{ending}" type="start"/>' if ending else ""
        begins += '<repeat direction="forward"/>' if forward and not ending else ""
        out.append(f'<barline location="left">{begins}</barline>' if begins else "")
        step = f"<step>{'CDEFGAB'[i % 7]}</step><octave>{2 + i // 7}</octave>"
        note = f"<note><pitch>{step}</pitch><duration>4</duration><type>whole</type></note>"
        out.append(direction + note if first else note + direction)
        ends = f'<ending number="{ending}" type="stop"/>' if ending else ""
        ends += '<repeat direction="backward"/>' if backward else ""
        out.append(f'<barline location="right">{ends}</barline></measure>' if ends else "</measure>")
    return "".join(out) + "</part></score-partwise>"


def order_of(path: Path, bars: list[str], *, said: bool = True) -> list[int]:
    path.write_text(document(bars, said=said), encoding="utf-8")
    scale = [12 * (3 + i // 7) + (0, 2, 4, 5, 7, 9, 11)[i % 7] for i in range(len(bars))]
    return [scale.index(note.pitch) + 1 for note in read_musicxml(path).notes]


@pytest.mark.parametrize("said", [True, False])
@pytest.mark.parametrize("name", PIECES)
def test_bars_come_as_music21_expands_them(name: str, said: bool, tmp_path: Path) -> None:
    path = tmp_path / "piece.musicxml"
    mine = order_of(path, PIECES[name], said=said)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        part = converter.parse(path, forceSource=True).parts[0]
        written = [note.pitch.midi for note in part.flatten().notes]
        played = [written.index(note.pitch.midi) + 1 for note in part.expandRepeats().flatten().notes]
    assert mine == played


@pytest.mark.parametrize("name", BY_HAND)
def test_bars_come_as_players_read_them(name: str, tmp_path: Path) -> None:
    bars, wanted = BY_HAND[name]
    assert order_of(tmp_path / "piece.musicxml", bars) == wanted


@pytest.mark.parametrize(
    ("bars", "says"),
    [
        ([":", ":", "-:", "-:"], "a repeat inside a repeat"),
        (["-", "- D.S. al Fine"], "D.S. in bar 2 leads nowhere; expected a sign of segno"),
        (["- To Coda", "- D.C. al Coda"], "to coda in bar 1 leads nowhere; expected a sign of coda"),
    ],
)
def test_what_leads_nowhere_is_one_line(bars: list[str], says: str, tmp_path: Path) -> None:
    path = tmp_path / "piece.musicxml"
    path.write_text(document(bars), encoding="utf-8")
    with pytest.raises(FileFormatError, match=re.escape(says)) as caught:
        read_transcription(path)
    assert "\n" not in str(caught.value) and str(caught.value).startswith(str(path))


def test_a_repeat_that_is_to_be_played_after_a_jump_is(tmp_path: Path) -> None:
    path = tmp_path / "piece.musicxml"
    bars = [":", "-:", "- D.C."]
    text = document(bars).replace('<repeat direction="backward"/>', '<repeat direction="backward" after-jump="yes"/>')
    path.write_text(text, encoding="utf-8")
    assert [note.pitch for note in read_musicxml(path).notes] == [36, 38, 36, 38, 40, 36, 38, 36, 38, 40]


_JUMPS = st.lists(
    st.builds(
        Jump,
        st.sampled_from(["dacapo", "dalsegno", "segno", "tocoda", "coda", "fine"]),
        st.sampled_from(["", "1", "2"]),
        st.sampled_from([Fraction(0), Fraction(2), Fraction(4)]),
        st.sampled_from([(), (1,), (2,)]),
    ),
    max_size=2,
)
_BARS = st.lists(
    st.builds(
        Order,
        forward=st.booleans(),
        backward=st.sampled_from([0, 0, 0, 2, 3]),
        after_jump=st.booleans(),
        endings=st.sampled_from([(), (), (), (1,), (2,), (1, 2), (3,)]),
        ending_stops=st.booleans(),
        jumps=_JUMPS,
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=300, deadline=None)
@given(_BARS)
def test_whatever_is_written_has_an_end(bars: list[Order]) -> None:
    with contextlib.suppress(ValueError):
        order = playing_order(bars, 500)
        assert len(order) <= 500 and set(order) <= set(range(len(bars)))


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 12))
def test_bars_without_signs_come_once(n: int) -> None:
    assert playing_order([Order() for _ in range(n)], 500) == list(range(n))

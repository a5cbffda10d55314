"""MIDI files made by LilyPond: notes and swing of known values that share no code with the trainer.

The program comes with the PyPI wheel `lilypond` (GPL; run as a program of its own, never linked). A run takes about
half a second, so share the file of one source between tests: fixtures of module scope.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import lilypond

__all__ = ["lily_midi", "lily_score"]


def lily_midi(source: str, directory: Path, name: str = "score") -> Path:
    """Run LilyPond on a whole source text; the path of the MIDI file it made (`DIRECTORY/NAME.mid`).

    The source needs a `\\score` with a `\\midi {}` block. A source that does not compile fails with LilyPond's own
    words.
    """
    file = directory / f"{name}.ly"
    file.write_text(source, encoding="utf-8")
    done = subprocess.run(
        [str(lilypond.executable()), "-dmidi-extension=mid", "--loglevel=WARN", "-o", name, file.name],
        cwd=directory,
        capture_output=True,
        text=True,
        check=False,
    )
    made = directory / f"{name}.mid"
    assert done.returncode == 0 and made.is_file(), done.stderr
    return made


def lily_score(
    music: str, directory: Path, name: str = "score", *, bpm: int = 120, swing: str = "", track: str = "bass"
) -> Path:
    """A one-staff score in absolute octaves and English note names (bf, fs): `lily_score("g,8 b, d e", …,
    swing=r"\\tripletFeel 8")` in 4/4.

    `swing` is put before the music: `\\tripletFeel 8` (2:1), `\\applySwing 8 #'(3 1)` (3:1), or nothing (1:1).
    """
    source = f"""\\version "2.25.0"
\\language "english"
\\include "swing.ly"
\\score {{
  \\new Staff = "{track}" {{ \\tempo 4 = {bpm} \\time 4/4 {swing} {{ {music} }} }}
  \\midi {{ }}
}}
"""
    return lily_midi(source, directory, name)

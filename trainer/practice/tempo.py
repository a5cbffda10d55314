"""How a drill's tempo moves.

No one ladder is proven: climbing, staying at tempo and alternating came out alike (Henley 2001), so all three are
offered and the choice is the player's. The steps are our choice.
"""

from __future__ import annotations

from collections.abc import Sequence

from trainer.errors import UsageError, did_you_mean
from trainer.limits import TEMPO_BPM

__all__ = ["TEMPO_MODES", "next_tempo_bpm"]

# climb: up after clean passes, down after misses · at_tempo: always the asked tempo · alternate: slow, then at tempo
TEMPO_MODES = ("climb", "at_tempo", "alternate")
UP_FRAC = 0.04  # a step up after two clean passes
DOWN_FRAC = 0.06  # a step down after two misses
IN_A_ROW = 2
SLOW_FRAC = 0.75  # the slow half of "alternate"


def next_tempo_bpm(mode: str, asked_bpm: float, passes: Sequence[tuple[float, bool]]) -> float:
    """The tempo of the next pass. `passes` are (tempo, clean) so far, oldest first; `UsageError` for an unknown mode.

    climb: the tempo of the last pass; two clean passes in a row there and it rises by 4 %, two misses and it falls by
    6 %. The first pass of all is at `asked_bpm`.
    """
    if mode not in TEMPO_MODES:
        hint = did_you_mean(mode, TEMPO_MODES)
        raise UsageError(f'tempo mode "{mode}" is not known; allowed: {", ".join(TEMPO_MODES)}{hint}')
    if mode == "at_tempo" or not passes:
        tempo = asked_bpm * SLOW_FRAC if mode == "alternate" else asked_bpm
    elif mode == "alternate":
        tempo = asked_bpm * (1.0 if len(passes) % 2 else SLOW_FRAC)
    else:
        tempo = passes[-1][0]
        here = [clean for at, clean in passes if at == tempo]
        run = 0
        for at, clean in reversed(passes):
            if at != tempo or clean != here[-1]:
                break
            run += 1
        if run and run % IN_A_ROW == 0:
            tempo *= 1.0 + UP_FRAC if here[-1] else 1.0 - DOWN_FRAC
    low, high = TEMPO_BPM
    return min(high, max(low, round(tempo, 1)))

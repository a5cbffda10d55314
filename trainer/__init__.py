"""A practice partner for blues bass: the band, the ears, and the practice plan.

As a library: sessions, takes and scores, without any device library. Everything is loaded at its first use.

    import trainer

    take = trainer.read_take("friday.mid", session=trainer.load_session("friday.toml"))
    card = trainer.score(take)
    print(card.swing.ratio.value, card.swing.ratio.n)
    onsets = take.notes["onset_s"]              # a numpy table of NOTE_DTYPE
    beats = take.tempo.beats_at(onsets)         # 0.0 is the first downbeat
    figures = card.to_dict()                    # the JSON of the scorecard
    print(figures["timing"]["mean_ms"], figures["landing"]["root_rate"])
    for row in trainer.score_files(["takes"]):  # a folder, on all cores
        print(row["file"], row.get("error") or row["swing"]["ratio"])
"""

from typing import TYPE_CHECKING

from trainer._version import __version__

if TYPE_CHECKING:
    from trainer.batch import score_files
    from trainer.clock import TempoMap
    from trainer.errors import FileFormatError, PortError, SessionError, TrainerError, UsageError
    from trainer.scoring import Scorecard, score
    from trainer.session import Chart, Session, expand, load_session, parse_session
    from trainer.take import NOTE_DTYPE, Calibration, Take, TakeHeader, list_takes, read_take, takes_dir, write_take

__all__ = [
    "NOTE_DTYPE",
    "Calibration",
    "Chart",
    "FileFormatError",
    "PortError",
    "Scorecard",
    "Session",
    "SessionError",
    "Take",
    "TakeHeader",
    "TempoMap",
    "TrainerError",
    "UsageError",
    "__version__",
    "expand",
    "list_takes",
    "load_session",
    "parse_session",
    "read_take",
    "score",
    "score_files",
    "takes_dir",
    "write_take",
]

_ROOM = {
    **dict.fromkeys(("FileFormatError", "PortError", "SessionError", "TrainerError", "UsageError"), "errors"),
    **dict.fromkeys(("Chart", "Session", "expand", "load_session", "parse_session"), "session"),
    **dict.fromkeys(("NOTE_DTYPE", "Calibration", "Take", "TakeHeader"), "take"),
    **dict.fromkeys(("list_takes", "read_take", "takes_dir", "write_take"), "take"),
    **dict.fromkeys(("Scorecard", "score"), "scoring"),
    "TempoMap": "clock",
    "score_files": "batch",
}


def __getattr__(name: str) -> object:
    room = _ROOM.get(name)
    if room is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    found: object = getattr(import_module(f"{__name__}.{room}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

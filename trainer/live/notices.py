"""What the person was told during a run, and which of it the screen still shows."""

from __future__ import annotations

from dataclasses import dataclass

from trainer.engine import Notice

__all__ = ["NEWS_SHOWN_S", "Notices"]

NEWS_SHOWN_S = 8.0  # how long what needs no doing stays on the screen (it is said again at the end); our choice


@dataclass(slots=True)
class _Line:
    notice: Notice
    until_s: float | None  # when it leaves the screen; None: not by itself


class Notices:
    """Feed it with `add`; a loss stays until what it is about is back, news leaves by itself."""

    def __init__(self) -> None:
        self._lines: dict[str, _Line] = {}

    @property
    def texts(self) -> tuple[str, ...]:
        """All that was said, once each."""
        return tuple(self._lines)

    def add(self, notice: Notice, now_s: float) -> bool:
        """Whether it had not been said before."""
        new = notice.text not in self._lines
        until_s = now_s + NEWS_SHOWN_S if notice.level == "note" else None
        line = self._lines.setdefault(notice.text, _Line(notice, until_s))
        line.until_s = until_s
        if notice.state == "back" and notice.about is not None:
            for other in self._lines.values():
                if other.notice.about == notice.about and other.notice.state == "gone":
                    other.until_s = now_s
        return new

    def on_screen(self, now_s: float) -> tuple[str, ...]:
        return tuple(text for text, line in self._lines.items() if line.until_s is None or line.until_s > now_s)

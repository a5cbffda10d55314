"""The one cleaner of what somebody else wrote: names, titles, keys of files, ports. Whoever shows text calls it."""

from __future__ import annotations

__all__ = ["plain"]


def plain(text: str, keep: str = "") -> str:
    """`text` with a space for each sign that a terminal obeys, that turns a line round or that cannot be seen.

    `keep`: such signs that may stay, as the end of a line where lines are meant.
    """
    return text if text.isprintable() else "".join(c if c.isprintable() or c in keep else " " for c in text)

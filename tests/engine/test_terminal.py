"""The terminal borrowed: what a console of Windows has to be told first, and signs that an output lacks."""

from __future__ import annotations

import ctypes
import io
import sys
from typing import Any

import pytest

from trainer.live.terminal import Screen, obey_escapes


class Kernel:
    """As much of kernel32 as the console's mode needs; `mode` None is an output that is no console."""

    def __init__(self, mode: int | None) -> None:
        self.mode = mode
        self.GetStdHandle: Any = lambda which: {-11: 7}[which]

    def GetConsoleMode(self, handle: Any, out: Any) -> int:
        assert handle.value == 7
        if self.mode is not None:
            out._obj.value = self.mode
        return int(self.mode is not None)

    def SetConsoleMode(self, handle: Any, mode: int) -> int:
        assert handle.value == 7 and self.mode is not None
        self.mode = mode
        return 1


@pytest.mark.parametrize(("before", "after"), [(3, 7), (7, 7), (None, None)])
def test_a_console_is_told_to_obey_escapes(
    before: int | None, after: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel = Kernel(before)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(ctypes, "WinDLL", lambda name: {"kernel32": kernel}[name], raising=False)
    obey_escapes()
    assert kernel.mode == after


def test_a_terminal_that_lacks_a_sign_is_not_gone() -> None:
    into = io.BytesIO()
    screen = Screen(io.TextIOWrapper(into, encoding="ascii"))
    screen.write("bars 9–12 ▶")
    assert into.getvalue() == b"bars 9?12 ?" and not screen.gone
    into.close()
    screen.write("more")
    assert screen.gone

"""The terminal borrowed: signs that an output lacks."""

from __future__ import annotations

import io

from trainer.live.terminal import Screen


def test_a_terminal_that_lacks_a_sign_is_not_gone() -> None:
    into = io.BytesIO()
    screen = Screen(io.TextIOWrapper(into, encoding="ascii"))
    screen.write("bars 9–12 ▶")
    assert into.getvalue() == b"bars 9?12 ?" and not screen.gone
    into.close()
    screen.write("more")
    assert screen.gone

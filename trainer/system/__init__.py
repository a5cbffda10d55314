"""The operating system's edges: whatever Linux, macOS and Windows do each in their own way.

One protocol (`protocol.py`), one module a system. Nothing else in the program asks which system it runs on
(`tests/system/test_edges.py` reads the source for it). What each module asks of its system (libraries, consoles) is
handed to it, so that a fake that behaves as the system is documented to can stand in its place on any machine.
"""

from __future__ import annotations

import sys

from trainer.system.protocol import System

__all__ = ["System", "here", "use"]

_here: System | None = None


def here() -> System:
    """The system that the program runs on."""
    global _here
    if _here is None:
        if sys.platform == "win32":
            from trainer.system.windows import Windows

            _here = Windows()
        elif sys.platform == "darwin":
            from trainer.system.mac import Mac

            _here = Mac()
        else:
            from trainer.system.linux import Linux

            _here = Linux()
    return _here


def use(system: System | None) -> None:
    """Take another system for this one, or None to look again: for tests."""
    global _here
    _here = system

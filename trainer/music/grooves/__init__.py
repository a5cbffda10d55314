"""The grooves: a file each, found by being here. What the band, the session and the stage ask of one stands in it."""

from __future__ import annotations

import importlib
import pkgutil

from trainer.music.grooves.model import Groove

__all__ = ["DEFAULT_GROOVE", "GROOVES", "Groove"]

DEFAULT_GROOVE = "shuffle"
_PARTS = ("model", "pattern")  # what grooves are written with


def found() -> dict[str, Groove]:
    """Every groove in this folder by its name, the usual one first."""
    names = [module.name for module in pkgutil.iter_modules(__path__) if module.name not in _PARTS]
    grooves = [importlib.import_module(f"{__name__}.{name}").GROOVE for name in names]
    grooves.sort(key=lambda groove: (groove.name != DEFAULT_GROOVE, groove.straight, groove.title))
    return {groove.name: groove for groove in grooves}


GROOVES: dict[str, Groove] = found()

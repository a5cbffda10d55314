"""Each Python on each system gets one MIDI binding, and words that name it. What has wheels: `tests/wheels_long.py`."""

from __future__ import annotations

import pytest

from tests.wheels_long import PYTHONS, SYSTEMS, wanted
from trainer.ports.midi import INSTALL_HINT


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("python", PYTHONS)
def test_one_binding_for_each_python(python: str, system: str) -> None:
    needs = [need.name for need in wanted(python, system)]
    bindings = [name for name in needs if "rtmidi" in name]
    if system == "Linux arm64" and python not in ("3.11", "3.12"):  # no wheel of either: the program is installed
        assert bindings == [] and "on ARM Linux from 3.13 on" in INSTALL_HINT  # without, and says the way
    else:
        assert bindings == ["python-rtmidi" if python in ("3.11", "3.12") else "rtmidi2"]
        assert f"pip install {bindings[0]}" in INSTALL_HINT
    assert len(needs) == len(set(needs)) > 10

"""Where each system keeps SoundFonts, and which of them comes first."""

from __future__ import annotations

from pathlib import Path

import pytest

from trainer.system.linux import Linux
from trainer.system.mac import Mac
from trainer.system.soundfonts import soundfonts_in
from trainer.system.windows import Windows


def test_a_folders_default_comes_first_and_a_file_of_two_names_once(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir()
    two.mkdir()
    for path in (one / "b.SF2", one / "a.sf3", two / "c.sf2", one / "notes.txt"):
        path.write_bytes(b"")
    (one / "folder.sf2").mkdir()
    (one / "default-GM.sf2").symlink_to(one / "b.SF2")
    (two / "gone.sf2").symlink_to(two / "nowhere.sf2")
    found = soundfonts_in([one, tmp_path / "none", two, one / "notes.txt"])
    assert found == [one / "default-GM.sf2", one / "a.sf3", two / "c.sf2"]


def test_each_system_looks_in_places_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    for system, place in ((Linux(), ".local/share/sounds/sf2"), (Mac(), "Library/Audio/Sounds/Banks")):
        file = tmp_path / place / "mine.sf2"
        file.parent.mkdir(parents=True)
        file.write_bytes(b"")
        assert system.soundfonts()[0] == file
    monkeypatch.setenv("PROGRAMDATA", str(tmp_path / "shared"))
    file = tmp_path / "shared" / "soundfonts" / "mine.sf2"
    file.parent.mkdir(parents=True)
    file.write_bytes(b"")
    assert Windows().soundfonts() == [file]

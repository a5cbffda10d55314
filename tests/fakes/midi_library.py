"""A stand-in for `rtmidi` on Windows: ports in files, so that several processes and a test share them.

Follows RtMidi's documentation and its WinMM back end: names are cut at 31 characters (MIDIINCAPS) and end in the port's
place in the list, which moves when another device comes or goes; a device is open once on the whole machine, and a
second one who asks is refused; an open one stays open whatever its place becomes.

In the folder: `midi.json` is {"in": [names], "out": [names]}; `in-NAME` what is played, a line of hex a message;
`out-NAME` what was sent, "perf_counter_ns hex" a line.
"""

from __future__ import annotations

import json
import os
import threading
import time
from pathlib import Path
from typing import Any


class MidiLibrary:
    API_LINUX_ALSA, API_UNIX_JACK, API_MACOSX_CORE, API_WINDOWS_MM = 2, 3, 1, 4

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def get_compiled_api(self) -> list[int]:
        return [self.API_WINDOWS_MM]

    def MidiIn(self, api: int, name: str, queue_size: int) -> _In:
        return _In(self.folder, "in")

    def MidiOut(self, api: int, name: str) -> _Port:
        return _Port(self.folder, "out")


class _Port:
    def __init__(self, folder: Path, way: str) -> None:
        self._folder, self._way = folder, way
        self._name: str | None = None

    def _devices(self) -> list[str]:
        devices: list[str] = json.loads((self._folder / "midi.json").read_text())[self._way]
        return devices

    def get_ports(self) -> list[str]:
        return [f"{name[:31]} {i}" for i, name in enumerate(self._devices())]

    def open_port(self, index: int, label: str) -> None:
        name = self._devices()[index]
        held = self._held(name)
        if held.exists() and Path(f"/proc/{held.read_text()}").exists():
            raise RuntimeError("error creating Windows MM MIDI port.")
        held.write_text(str(os.getpid()))
        self._name = name

    def _held(self, name: str) -> Path:
        return self._folder / f"held-{self._way}-{name}"

    def send_message(self, message: bytes) -> None:
        with (self._folder / f"out-{self._name}").open("a") as log:
            log.write(f"{time.perf_counter_ns()} {bytes(message).hex()}\n")

    def close_port(self) -> None:
        if self._name is not None:
            self._held(self._name).unlink(missing_ok=True)
            self._name = None

    def delete(self) -> None: ...


class _In(_Port):
    _callback: Any = None

    def ignore_types(self, **_: bool) -> None: ...

    def set_callback(self, callback: Any) -> None:
        self._callback = callback

    def cancel_callback(self) -> None:
        self._callback = None

    def open_port(self, index: int, label: str) -> None:
        super().open_port(index, label)
        threading.Thread(target=self._play, args=(self._folder / f"in-{self._name}",), daemon=True).start()

    def _play(self, played: Path) -> None:
        played.touch()
        with played.open() as lines:
            lines.seek(0, os.SEEK_END)
            while self._name is not None:
                line = lines.readline()
                callback = self._callback
                if line and callback is not None:
                    callback((list(bytes.fromhex(line.strip())), 0.0), None)
                elif not line:
                    time.sleep(0.001)

"""To what an open MIDI port is wired, asked of the system itself.

A port's name tells too little: who goes and comes back within a moment has the same name and no cable to us any more,
and a cable pulled in the patch bay takes no name away. JACK is asked through its own library (`jack_port_by_name`,
`jack_port_get_all_connections`), ALSA's sequencer through its list in `/proc/asound/seq/clients`; elsewhere nothing
tells, and the name must do.
"""

from __future__ import annotations

import contextlib
import ctypes
import re
import threading
from pathlib import Path
from typing import Any

__all__ = ["alsa_wires", "jack_client_sends", "wires"]

_ALSA_LIST = Path("/proc/asound/seq/clients")
_ADDRESS = re.compile(r"\d+:\d+")
# Lines of the list, as the kernel writes them (sound/core/seq/seq_clientmgr.c): a name in quotes
# may hold anything, a line's end among it, and newer kernels write more behind it.
_CLIENT, _PORT = re.compile(r"Client\s+(\d+)\s+:", re.ASCII), re.compile(r"  Port\s+(\d+)\s+:", re.ASCII)
_WIRE = re.compile(r"    Connect(?:ing To|ed From):")
_JACK_NO_START_SERVER = 1
_JACK_PORT_IS_OUTPUT = 2
_JACK_LIBRARIES = ("libjack.so.0", "libjack.0.dylib")


def wires(system: str, port: str) -> frozenset[str] | None:
    """The ends that a port is wired to now: names on JACK, addresses on ALSA. None where nobody can tell.

    `port` as its system names it ("client:port"; on ALSA with or as the address "128:0"). May wait; never raises.
    """
    if system == "JACK":
        return _jack.wires(port)
    if system == "ALSA":
        with contextlib.suppress(OSError):
            return alsa_wires(_ALSA_LIST.read_text(encoding="utf-8", errors="replace"), port)
    return None


def alsa_wires(listed: str, port: str) -> frozenset[str]:
    """The same from the sequencer's list: "Client 24 : …", in it "Port 0 : …", in it "Connecting To: 128:0[r:0], …"."""
    found = _ADDRESS.findall(port)
    client, number, here = "", "", set()
    for line in listed.split("\n"):
        if match := _CLIENT.match(line):
            client, number = match[1], ""
        elif match := _PORT.match(line):
            number = match[1]
        elif _WIRE.match(line) and found and f"{client}:{number}" == found[-1]:
            here |= set(_ADDRESS.findall(line))
    return frozenset(here)


def jack_client_sends(name: str) -> bool | None:
    """Whether a client of the JACK server has an output that is wired to anything; None where nobody can tell. May
    wait; never raises."""
    return _jack.client_sends(name)


_SILENT = ctypes.CFUNCTYPE(None, ctypes.c_char_p)(lambda text: None)


class _Jack:
    """A client of our own, without ports, opened when it is first needed and again when the server has changed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lib: Any = None
        self._client: Any = None
        self._dead = False
        self._told = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(self._shut_down)  # kept: the library calls it

    def _shut_down(self, _argument: Any) -> None:
        self._dead = True

    def wires(self, port: str) -> frozenset[str] | None:
        with self._lock:
            lib = self._open()
            if lib is None:
                return None
            ends = self._ends(lib, port.encode())
            return ends if ends is not None or self._dead else frozenset()

    def client_sends(self, name: str) -> bool | None:
        with self._lock:
            lib = self._open()
            if lib is None:
                return None
            pattern = f"^{re.escape(name)}:".encode()
            ports = self._listed(lib, lib.jack_get_ports(self._client, pattern, None, _JACK_PORT_IS_OUTPUT))
            if not ports and self._dead:
                return None
            return any(self._ends(lib, port) for port in ports)

    def _ends(self, lib: Any, port: bytes) -> frozenset[str] | None:
        handle = lib.jack_port_by_name(self._client, port)
        if not handle:
            return None
        names = self._listed(lib, lib.jack_port_get_all_connections(self._client, handle))
        return frozenset(name.decode(errors="replace") for name in names)

    @staticmethod
    def _listed(lib: Any, names: Any) -> list[bytes]:
        """A list of names that the library made, which is given back."""
        out: list[bytes] = []
        if names:
            while (name := names[len(out)]) is not None:
                out.append(name)
            lib.jack_free(names)
        return out

    def _open(self) -> Any:
        if self._dead:
            # Left as it is: to close a client whose server has gone reaches into memory that went with it.
            self._client = None
        if not self._client:
            self._lib = self._lib or self._library()
            if self._lib is not None:
                self._dead = False
                status = ctypes.c_int()
                self._client = self._lib.jack_client_open(b"trainer watch", _JACK_NO_START_SERVER, ctypes.byref(status))
                if self._client:
                    self._lib.jack_on_shutdown(self._client, self._told, None)
        return self._lib if self._client else None

    @staticmethod
    def _library() -> Any:
        lib: Any = None
        for name in _JACK_LIBRARIES:
            with contextlib.suppress(OSError):
                lib = lib or ctypes.CDLL(name)
        with contextlib.suppress(AttributeError):  # of None, or of a library that lacks one
            lib.jack_client_open.restype = ctypes.c_void_p
            lib.jack_client_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p]
            lib.jack_client_close.argtypes = [ctypes.c_void_p]
            lib.jack_on_shutdown.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p]
            lib.jack_port_by_name.restype = ctypes.c_void_p
            lib.jack_port_by_name.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
            lib.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
            lib.jack_port_get_all_connections.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
            lib.jack_get_ports.restype = ctypes.POINTER(ctypes.c_char_p)
            lib.jack_get_ports.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong]
            lib.jack_free.argtypes = [ctypes.c_void_p]
            lib.jack_set_error_function(_SILENT)  # else it writes to standard error, from threads of its own
            return lib
        return None


_jack = _Jack()

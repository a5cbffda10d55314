"""Real MIDI ports, on any back end, through whichever of two bindings is there.

`python-rtmidi` has wheels up to Python 3.12; above that `rtmidi2` serves behind the same classes. Both are loaded at
the first use, never at import. No MIDI system at all is a normal case: the list of ports is empty and says why.

What the drivers do, and what is done about it here:

- A binding told to ignore a kind of message also loses that message's delta time, so everything is received and whoever
  reads the sink filters.
- The first message's delta is 0.
- Without a MIDI system both bindings raise when asked for ports, and the driver libraries write to the process's
  standard error; both are kept from the person.
- Nothing tells that the far end was unplugged: `is_connected` looks for its name in the list, but for what the system
  numbers anew when another port comes or goes. Ask once or twice a second, from a thread that may wait.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from time import perf_counter_ns
from typing import Any, Protocol

from trainer.errors import PortError
from trainer.ports.protocols import MidiSink
from trainer.ports.silence import SoundingNotes
from trainer.ports.wiring import wires
from trainer.system import here

__all__ = [
    "INSTALL_HINT",
    "PortInfo",
    "PortList",
    "RealMidiIn",
    "RealMidiOut",
    "find_port",
    "list_ports",
    "open_at_once",
    "open_input",
    "open_output",
    "port_stem",
]

INSTALL_HINT = (
    'no MIDI binding is installed; "python -m pip install python-rtmidi" (Python 3.12 and older) or '
    '"python -m pip install rtmidi2" (3.13 and newer) adds one; on ARM Linux from 3.13 on it is python-rtmidi again, '
    "compiled at its installation (Debian: apt install g++ python3-dev libasound2-dev libjack-dev), or take Python 3.12"
)
_CLIENT = "trainer"
# What is sent just before a port closes is lost on JACK unless a few of its periods pass (1,024 frames are 21 ms).
_DRAIN_S = 0.05
_WIRED_WITHIN_S = 1.0  # a cable that JACK was asked for is there after a period or two
# Ports that only hand on what other programs write: never taken by default.
_THROUGH = re.compile(r"^midi through\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port as the system names it, and the back end it was found on ("ALSA", "JACK", "CoreMIDI", "WinMM")."""

    name: str
    system: str
    index: int
    through: bool = False


@dataclass(frozen=True, slots=True)
class PortList:
    """What is plugged in now. `note` says why there is nothing, or None."""

    inputs: tuple[PortInfo, ...] = ()
    outputs: tuple[PortInfo, ...] = ()
    note: str | None = None

    @property
    def input_names(self) -> tuple[str, ...]:
        return tuple(port.name for port in self.inputs)

    @property
    def output_names(self) -> tuple[str, ...]:
        return tuple(port.name for port in self.outputs)


def port_stem(name: str) -> str:
    """The part of a port's name that stays when it is plugged in again."""
    return here().port_forms(name)[-1]


def _same(wanted: str, listed: str, form: int) -> bool:
    """Whether two names differ in case only, once each is taken down to a form; a listed one may be cut short."""
    system = here()
    forms = system.port_forms(listed)
    left, right = system.port_forms(wanted)[form].casefold(), forms[form].casefold()
    cut = system.port_name_limit is not None and len(forms[1]) >= system.port_name_limit
    return left == right or bool(right and cut and left.startswith(right))


def _fitting(wanted: str, ports: Sequence[str]) -> Iterator[list[str]]:
    """The ports that a name can mean, from the narrowest reading to the widest."""
    forms = here().port_forms(wanted)
    yield [port for port in ports if forms[0].casefold() in (form.casefold() for form in here().port_forms(port)[:2])]
    for form in range(1, len(forms)):
        yield [port for port in ports if _same(wanted, port, form)]
    for part in (forms[0].casefold(), forms[-1].casefold()):
        yield [port for port in ports if part and part in port.casefold()]


def find_port(name_or_part: str, ports: Sequence[str], kind: str = "MIDI port") -> str:
    """The port meant: its exact name; else the same but for case and the system's numbers (and its end, where the
    system cuts names); else the only one containing it.

    `PortError`, listing what is there, when none or several fit.
    """
    if name_or_part in ports:
        return name_or_part
    for fits in _fitting(name_or_part, ports):
        if len(set(fits)) == 1:
            return fits[0]
        if fits:
            raise PortError(
                f'"{name_or_part}" fits {len(fits)} {kind}s: {_listed(fits)}; expected one, so give more of the name'
            )
    if not ports:
        raise PortError(
            f'no {kind} "{name_or_part}": no {kind} is there at all; connect one and look with: trainer ports'
        )
    raise PortError(f'no {kind} "{name_or_part}"; expected one of (or a part of): {_listed(ports)}')


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


# --- the two bindings -------------------------------------------------------------------------------------------


class _Binding(Protocol):
    """What is needed of a binding. Handles are its own objects; every method may raise anything."""

    def systems(self) -> list[tuple[str, int]]:
        """(name, number) of the back ends built in, in the order in which to try them."""
        ...

    def new_in(self, system: int) -> Any: ...

    def new_out(self, system: int) -> Any: ...

    def names(self, handle: Any) -> list[str]: ...

    def listen(self, handle: Any, sink: MidiSink) -> None: ...

    def open(self, handle: Any, index: int, label: str) -> None: ...

    def sender(self, handle: Any) -> Callable[[bytes], Any]: ...

    def close(self, handle: Any) -> None: ...


class _PythonRtmidi:
    def __init__(self) -> None:
        import rtmidi

        self._lib = rtmidi
        self._names = {
            rtmidi.API_LINUX_ALSA: "ALSA",
            rtmidi.API_UNIX_JACK: "JACK",
            rtmidi.API_MACOSX_CORE: "CoreMIDI",
            rtmidi.API_WINDOWS_MM: "WinMM",
        }

    def systems(self) -> list[tuple[str, int]]:
        return [(self._names[api], api) for api in self._lib.get_compiled_api() if api in self._names]

    def new_in(self, system: int) -> Any:
        handle = self._lib.MidiIn(system, f"{_CLIENT} in", 1024)
        handle.ignore_types(sysex=False, timing=False, active_sense=False)
        return handle

    def new_out(self, system: int) -> Any:
        return self._lib.MidiOut(system, f"{_CLIENT} out")

    def names(self, handle: Any) -> list[str]:
        return [str(name) for name in handle.get_ports()]

    def listen(self, handle: Any, sink: MidiSink) -> None:
        def arrived(event: tuple[list[int], float], _: Any) -> None:
            host_ns = perf_counter_ns()
            sink.append((host_ns, event[1], bytes(event[0])))

        handle.set_callback(arrived)

    def open(self, handle: Any, index: int, label: str) -> None:
        handle.open_port(index, label)

    def sender(self, handle: Any) -> Callable[[bytes], Any]:
        send: Callable[[bytes], Any] = handle.send_message
        return send

    def close(self, handle: Any) -> None:
        with contextlib.suppress(Exception):
            handle.cancel_callback()
        handle.close_port()
        handle.delete()


class _Rtmidi2:
    def __init__(self) -> None:
        if sys.platform == "linux":
            # Its wheels bring a JACK library of their own, which does not understand the server of a newer system; the
            # system's, loaded for all to see, is found first.
            with contextlib.suppress(OSError):
                ctypes.CDLL("libjack.so.0", mode=ctypes.RTLD_GLOBAL)
        import rtmidi2

        self._lib = rtmidi2

    def systems(self) -> list[tuple[str, int]]:
        lib = self._lib
        by_platform = {
            "darwin": [("CoreMIDI", lib.API_MACOSX_CORE)],
            "win32": [("WinMM", lib.API_WINDOWS_MM)],
        }
        return by_platform.get(sys.platform, [("ALSA", lib.API_LINUX_ALSA), ("JACK", lib.API_UNIX_JACK)])

    def new_in(self, system: int) -> Any:
        handle = self._lib.MidiIn(f"{_CLIENT} in", 1024, system)
        handle.ignore_types(midi_sysex=False, midi_time=False, midi_sense=False)
        return handle

    def new_out(self, system: int) -> Any:
        return self._lib.MidiOut(f"{_CLIENT} out", system)

    def names(self, handle: Any) -> list[str]:
        return [str(name) for name in handle.ports]

    def listen(self, handle: Any, sink: MidiSink) -> None:
        def arrived(message: list[int], delta_s: float) -> None:
            host_ns = perf_counter_ns()
            sink.append((host_ns, delta_s, bytes(message)))

        handle.callback = arrived

    def open(self, handle: Any, index: int, label: str) -> None:
        handle.open_port(index)

    def sender(self, handle: Any) -> Callable[[bytes], Any]:
        raw: Callable[..., Any] = handle.send_raw
        return lambda data: raw(*data)

    def close(self, handle: Any) -> None:
        if hasattr(handle, "callback"):
            with contextlib.suppress(Exception):
                handle.callback = None
        handle.close_port()


_KINDS: Sequence[Callable[[], _Binding]] = (_PythonRtmidi, _Rtmidi2)
_loaded: _Binding | None = None


def _binding() -> _Binding:
    """The binding, loaded once. `TRAINER_MIDI_BINDING` (python-rtmidi or rtmidi2) forces one, for tests."""
    global _loaded
    if _loaded is None:
        forced = os.environ.get("TRAINER_MIDI_BINDING")
        for kind in [_Rtmidi2 if forced == "rtmidi2" else _PythonRtmidi] if forced else _KINDS:
            with contextlib.suppress(ImportError, AttributeError):
                made = kind()
                break
        else:
            raise PortError(INSTALL_HINT)
        here().keep_ports_listed(lambda: [made.new_in(number) for _, number in made.systems()])
        _loaded = made
    return _loaded


class _Quiet:
    """Standard error's own end while it is turned away: the first to come in turns it, the last to leave turns it back.

    Ports open and close in several threads; each turning it on its own could leave it turned away for good.
    """

    lock = threading.Lock()
    n_inside = 0
    kept = -1


@contextlib.contextmanager
def quiet_stderr() -> Iterator[None]:
    """Keep what the driver libraries write to standard error from the person's terminal."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()
    with _Quiet.lock:
        if _Quiet.n_inside == 0:
            _Quiet.kept = _turn_away()
        _Quiet.n_inside += 1
    try:
        yield
    finally:
        with _Quiet.lock:
            _Quiet.n_inside -= 1
            if _Quiet.n_inside == 0 and _Quiet.kept >= 0:
                os.dup2(_Quiet.kept, 2)
                os.close(_Quiet.kept)


def _turn_away() -> int:
    """Standard error to nowhere; a copy of what it was, -1 if that cannot be had."""
    try:
        kept = os.dup(2)
    except OSError:
        return -1
    try:
        hole = os.open(os.devnull, os.O_WRONLY)
    except OSError:
        os.close(kept)
        return -1
    os.dup2(hole, 2)
    os.close(hole)
    return kept


def _own(name: str) -> bool:
    """One of this program's own ports, as the others see it."""
    return name.startswith((f"{_CLIENT} in", f"{_CLIENT} out"))


def _infos(binding: _Binding, handle: Any, system: str) -> list[PortInfo]:
    found = [
        PortInfo(name, system, i, bool(_THROUGH.match(name)))
        for i, name in enumerate(binding.names(handle))
        if name and not _own(name)
    ]
    return sorted(found, key=lambda port: port.through)


def list_ports() -> PortList:
    """Every MIDI input and output of every back end that answers; never raises. Ports that only hand on come last."""
    try:
        binding = _binding()
    except PortError as error:
        return PortList(note=str(error))
    inputs: list[PortInfo] = []
    outputs: list[PortInfo] = []
    silent: list[str] = []
    for system, number in binding.systems():
        answered = False
        for new, found in ((binding.new_in, inputs), (binding.new_out, outputs)):
            handle = None
            try:
                with quiet_stderr():
                    handle = new(number)
                    here = _infos(binding, handle, system)
            except Exception:  # each binding has exceptions of its own; all mean "nothing here"
                continue
            finally:
                if handle is not None:
                    with contextlib.suppress(Exception), quiet_stderr():
                        binding.close(handle)
            answered = True
            known = {port.name for port in found}
            found += [port for port in here if port.name not in known]
        if not answered:
            silent.append(system)
    note = None
    if not inputs and not outputs:
        tried = " and ".join(name for name, _ in binding.systems()) or "none built in"
        note = f"no MIDI port found (looked in: {tried})" + (
            f"; {' and '.join(silent)} did not answer" if silent else ""
        )
    return PortList(tuple(inputs), tuple(outputs), note)


# --- open ports ---------------------------------------------------------------------------------------------------


class _Port:
    """What inputs and outputs share: the handle, the name, and whether it is still there."""

    def __init__(self, info: PortInfo, binding: _Binding, opened: tuple[Any, str | None]) -> None:
        self.info = info
        self._binding = binding
        self._handle, self._own_end = opened
        self._lost = False

    @property
    def name(self) -> str:
        return self.info.name

    @property
    def own_end(self) -> str | None:
        """How the system names our end of the cable; None where it does not tell."""
        return self._own_end

    def is_connected(self) -> bool:
        """Whether our end is still wired to something; where the system does not tell, whether the port is still
        listed. Once lost it stays lost: open it again.
        """
        if self._handle is None or self._lost:
            return False
        wired = None if self._own_end is None else wires(self.info.system, self._own_end)
        if wired is not None:
            self._lost = not wired
            return bool(wired)
        try:
            names = [here().port_as_watched(name) for name in self._binding.names(self._handle)]
            self._lost = here().port_as_watched(self.info.name) not in names
        except Exception:  # the system itself has gone
            self._lost = True
        return not self._lost

    def _shut(self) -> None:
        handle, self._handle = self._handle, None
        if handle is not None:
            with contextlib.suppress(Exception), quiet_stderr():
                self._binding.close(handle)


class RealMidiIn(_Port):
    """An open MIDI input; its driver's thread appends to the sink."""

    def __init__(self, info: PortInfo, binding: _Binding, opened: tuple[Any, str | None], sink: MidiSink) -> None:
        super().__init__(info, binding, opened)
        self.sink = sink

    def close(self) -> None:
        self._shut()


class RealMidiOut(_Port):
    """An open MIDI output. `send` from one thread at a time."""

    def __init__(self, info: PortInfo, binding: _Binding, opened: tuple[Any, str | None]) -> None:
        super().__init__(info, binding, opened)
        self._send = binding.sender(self._handle)
        self._sounding = SoundingNotes()
        self.lead_ns = 0
        self.late_ns: deque[int] = deque()

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, number) of each note sent and not released."""
        return self._sounding.notes()

    def send(self, data: bytes, at_ns: int = 0) -> None:
        if self._handle is None:
            raise PortError(f'MIDI output "{self.name}": already closed; open it again to send')
        self._sounding.note(data)
        try:
            self._send(data)
        except Exception as error:
            self._lost = True
            raise PortError(
                f'MIDI output "{self.name}" did not take a message ({error}); is it still connected?'
            ) from None

    def silence(self) -> None:
        for data in self._sounding.release():
            if self._handle is None:
                return
            with contextlib.suppress(Exception):
                self._send(data)

    def close(self) -> None:
        if self._handle is not None:
            self.silence()
            time.sleep(_DRAIN_S)
        self._shut()


def open_input(name: str, sink: MidiSink, *, ports: PortList | None = None) -> RealMidiIn:
    """Open the input of that name (or unique part of one); messages go to `sink` as `(host_ns, driver_delta_s, data)`.

    `ports`: a list just made, to save looking again. `PortError` if there is no such port, several, or it is busy.
    """
    info = _chosen(name, (ports or list_ports()), "MIDI input")
    binding = _binding()
    opened = _opened(info, binding, binding.new_in, lambda made: binding.listen(made, sink))
    return RealMidiIn(info, binding, opened, sink)


def open_output(name: str, *, ports: PortList | None = None) -> RealMidiOut:
    """Open the output of that name (or unique part of one). `PortError` as for `open_input`."""
    info = _chosen(name, (ports or list_ports()), "MIDI output")
    binding = _binding()
    return RealMidiOut(info, binding, _opened(info, binding, binding.new_out, lambda made: None))


def open_at_once(name: str) -> RealMidiOut:
    """Open the output of that whole name without looking round and without waiting for its cable: to end what sounds.

    Anything but a whole name is looked for as `open_output` does.
    """
    binding = _binding()
    for system, _ in binding.systems():
        info = PortInfo(name, system, -1)
        with contextlib.suppress(PortError):
            return RealMidiOut(
                info, binding, _opened(info, binding, binding.new_out, lambda made: None, with_end=False)
            )
    return open_output(name)


def _chosen(name: str, ports: PortList, kind: str) -> PortInfo:
    infos = ports.inputs if kind == "MIDI input" else ports.outputs
    if not infos and ports.note:
        raise PortError(f'no {kind} "{name}": {ports.note}; connect one and look with: trainer ports')
    found = find_port(name, [info.name for info in infos], kind)
    return next(info for info in infos if info.name == found)


def _opened(
    info: PortInfo, binding: _Binding, new: Callable[[int], Any], prepare: Callable[[Any], None], with_end: bool = True
) -> tuple[Any, str | None]:
    """The binding's handle, and how the system names our end of the cable (None where it does not tell)."""
    number = dict(binding.systems())[info.system]
    handle = None
    try:
        with quiet_stderr():
            handle = new(number)
            names = binding.names(handle)
            as_watched = [here().port_as_watched(name) for name in names]
            watched = here().port_as_watched(info.name)
            if watched not in as_watched:
                raise PortError(f'MIDI port "{info.name}" has just gone; connect it again')
            prepare(handle)
            index = names.index(info.name) if info.name in names else as_watched.index(watched)
            name = names[index]
            before = wires(info.system, name) if with_end else None
            binding.open(handle, index, port_label(info))
            own_end = None if before is None else _new_wire(info.system, name, before)
    except Exception as error:
        if handle is not None:
            with contextlib.suppress(Exception), quiet_stderr():
                binding.close(handle)
        if isinstance(error, PortError):
            raise
        raise PortError(
            f'MIDI port "{info.name}" could not be opened ({str(error).strip()}); '
            "close the program that holds it, or choose another"
        ) from None
    return handle, own_end


def _new_wire(system: str, name: str, before: frozenset[str]) -> str | None:
    """Our end of the cable just made: what the port is wired to and was not before. `PortError` if there is none."""
    until_s = time.monotonic() + _WIRED_WITHIN_S
    while True:
        now = wires(system, name)
        if now is None:
            return None
        new = [end for end in now - before if system != "JACK" or _own(end)]
        if new:
            return new[0] if len(new) == 1 else None  # two of us at one moment: the name must do
        if time.monotonic() > until_s:
            raise PortError(f'MIDI port "{name}" has just gone; connect it again')
        time.sleep(0.005)


def port_label(info: PortInfo) -> str:
    """The name under which our end shows in the system's patch bay."""
    return re.sub(r"[^\w .-]", " ", port_stem(info.name))[:48].strip() or "port"

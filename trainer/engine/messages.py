"""What the front of a running session and its engine say to each other: tagged msgpack, each with its length before it.

Times are raw `perf_counter_ns` of the side that sends, except where a field says otherwise; the offset between the two
is measured at the handshake. The pipe is read by a thread of its own on either side.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any, Generic, Literal, TypeAlias, TypeVar

import msgspec

from trainer.clock.transport import State
from trainer.profiles import Profile

__all__ = [
    "About",
    "Command",
    "EarSaid",
    "Facts",
    "Finished",
    "FromEngine",
    "FromFront",
    "Heard",
    "Mix",
    "Notice",
    "Offset",
    "PadNote",
    "PadUndo",
    "Ping",
    "Place",
    "Pong",
    "Pressed",
    "Reader",
    "Ready",
    "Setup",
    "Start",
    "frame_of",
]

# What a notice may be about: something that can go and come back.
About: TypeAlias = Literal["midi_in", "midi_out", "clock_out", "follow", "sound", "bass", "disk", "pedal", "pedal_2"]

MAX_MESSAGE_BYTES = 4_000_000
_LENGTH = struct.Struct(">I")


class Setup(msgspec.Struct, frozen=True, tag="setup", kw_only=True):
    """Everything that the engine needs to open its ports and arrange the band.

    `script`: a stand-in player's messages as (song second, message), played into the input's place. `extra`: plain data
    for the take's header (which drill this was, which tune of the night). `soundfont`: a file whose sounds replace the
    built-in ones. `pedals`: the foot switches that were learnt, as `trainer.ports.pedal.Switch` gives them.
    `bass_in`: a sound input with an ordinary bass on it, by name; `bass_channel` from 1, None to find it;
    `keep_sound`: record it beside the take.
    """

    session: dict[str, Any]
    takes_dir: str
    midi_in: str | None = None
    midi_out: str | None = None
    audio: str = "auto"
    monitor: bool = True
    gains: tuple[float, ...] = ()
    guide: str | None = None
    guide_line: list[tuple[float, float, float, float]] | None = None
    soundfont: str | None = None
    profile: Profile = "pad"
    velocity_floor: int = 0
    transpose_semitones: int = 0
    calibration: dict[str, Any] | None = None
    bass_in: str | None = None
    bass_channel: int | None = None
    keep_sound: bool = True
    clock_out: str | None = None
    follow: str | None = None
    record: bool = True
    script: list[tuple[float, bytes]] | None = None
    block_frames: int = 256
    sample_rate_hz: int | None = None
    random_origin: bool = False
    extra: dict[str, Any] = {}
    pedals: tuple[dict[str, Any], ...] = ()


class Ping(msgspec.Struct, frozen=True, tag="ping"):
    front_ns: int


class Offset(msgspec.Struct, frozen=True, tag="offset"):
    """`engine_minus_front_ns`: what to add to a time of the front to have the engine's."""

    engine_minus_front_ns: int


class Start(msgspec.Struct, frozen=True, tag="start"):
    """Begin the count-in."""


class Command(msgspec.Struct, frozen=True, tag="command"):
    """`name`: pause · resume · toggle (whichever of the two applies) · restart · stop."""

    name: str


class Mix(msgspec.Struct, frozen=True, tag="mix"):
    """The gain of each part of the band, in the order of `trainer.band.events.PARTS`; 0 is mute."""

    gains: tuple[float, ...]


class PadNote(msgspec.Struct, frozen=True, tag="pad_note"):
    """A key of the computer keyboard, stamped by the front's clock."""

    front_ns: int
    pitch: int
    velocity: int
    number: int


class PadUndo(msgspec.Struct, frozen=True, tag="pad_undo"):
    """That note was the terminal's repeat of a held key: take it out again."""

    number: int


class Facts(msgspec.Struct, frozen=True, tag="facts"):
    """What the front knows for the take's header, such as how late it stamps keys."""

    facts: dict[str, Any]


FromFront = Setup | Ping | Offset | Start | Command | Mix | PadNote | PadUndo | Facts


class Pong(msgspec.Struct, frozen=True, tag="pong"):
    front_ns: int
    engine_ns: int


class Notice(msgspec.Struct, frozen=True, tag="notice"):
    """One line for the person. `level` note: news that needs no doing. `state` "gone" holds until "back" `about` the
    same thing.
    """

    text: str
    level: Literal["note", "warning"] = "warning"
    about: About | None = None
    state: Literal["gone", "back"] | None = None


class EarSaid(msgspec.Struct, frozen=True, tag="ear"):
    """From the ear to the engine: `frame` of the recording (unused for "amended"), `pitch` in fractional semitones."""

    kind: Literal["note", "amended", "ended", "dead"]
    stroke: int
    frame: float
    pitch: float = 0.0
    velocity: int = 0


class Ready(msgspec.Struct, frozen=True, tag="ready"):
    """Ports are open, the band is rendered ahead; `notices` says what could not be had."""

    midi_in: str | None
    midi_out: str | None
    bass_in: str | None
    notices: tuple[Notice, ...]


class Place(msgspec.Struct, frozen=True, tag="place"):
    """Where the song is; `engine_ns` on the engine's clock."""

    engine_ns: int
    state: State
    beats: float
    bar_idx: int
    tempo_bpm: float


class Heard(msgspec.Struct, frozen=True, tag="heard"):
    """A note of the player's began; `song_s` is None where it fell into a pause or a count."""

    song_s: float | None
    pitch: float
    velocity: int
    pass_idx: int


class Pressed(msgspec.Struct, frozen=True, tag="pressed"):
    """A foot switch was trodden on: what it asks for (`trainer.ports.pedal.ACTIONS`), and on which port."""

    action: str
    port: str


class Finished(msgspec.Struct, frozen=True, tag="finished"):
    """The last message. `take`: the file written, None when nothing was played or it could not be written."""

    take: str | None
    completed: bool
    n_notes: int
    fault: str | None = None


FromEngine = Pong | Ready | Place | Heard | Pressed | Notice | Finished

Message = TypeVar("Message")

_encoder = msgspec.msgpack.Encoder()


def frame_of(message: msgspec.Struct) -> bytes:
    """A message as it goes over the pipe."""
    body = _encoder.encode(message)
    return _LENGTH.pack(len(body)) + body


class Reader(Generic[Message]):
    """Cuts a byte stream into messages; feed it what came, whole or in pieces. `ValueError` for what is not ours."""

    def __init__(self, kind: Any) -> None:
        self._decode: Callable[[bytes], Message] = msgspec.msgpack.Decoder(kind).decode
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[Message]:
        self._buffer += data
        out: list[Message] = []
        while len(self._buffer) >= _LENGTH.size:
            (length,) = _LENGTH.unpack_from(self._buffer)
            if length > MAX_MESSAGE_BYTES:
                raise ValueError(f"a message of {length} bytes; expected at most {MAX_MESSAGE_BYTES}")
            end = _LENGTH.size + length
            if len(self._buffer) < end:
                break
            body = bytes(self._buffer[_LENGTH.size : end])
            del self._buffer[:end]
            try:
                out.append(self._decode(body))
            except msgspec.MsgspecError as error:
                raise ValueError(f"not a message of ours: {error}") from None
        return out

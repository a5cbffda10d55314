"""Which notes of a MIDI file are the bass: by the track's name, by its General MIDI program, or as the lowest line.

In this order (common practice of those who write such files): the track that is asked for; the one named `bass`; a name
that says bass in one of the field's usual spellings and languages; the programs 33 to 40; the lowest line of single
notes. Where several answer, the next mark decides between them. Notes on channel 10 are drums (General MIDI 1) and are
never taken unless they are asked for. What was found and why is said; what cannot be told is asked.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trainer.errors import FileFormatError, UsageError, did_you_mean
from trainer.limits import whole_number
from trainer.music.general_midi import DRUM_CHANNEL
from trainer.take.midi_file import CHORUS_MARKER, MidiFile, MidiTrack
from trainer.take.midi_notes import track_notes

__all__ = ["BASS_PROGRAMS", "Choice", "chosen", "is_named", "says_bass"]

BASS_PROGRAMS = range(32, 40)  # as on the wire, from 0 (General MIDI 1: the bass family, 33–40)
# A line of single notes: at least so many notes, of which this share may sound into the next. Our choice.
MIN_LINE_NOTES = 8
MOST_OVERLAPPED = 0.1
LOW_PITCH = 52.0  # the lowest line is a bass if its median lies no higher (E3, a string's twelfth fret and more)
_CHANNEL = re.compile(r"channel[ :]?(1[0-6]|[1-9])", re.IGNORECASE)

# "bass" as players of many languages write it on a track, alone or grown together with what it is or is played with.
_WORDS = re.compile(
    r"(?:e|el|elektro|electro|kontra|contrab?|contre|double|upright|synth|synthe|slap|finger|pick|sub|string)?"
    r"(?:bass|bas|basse|basso|bassi|basses|basa|basova|basowa|basszus|bajo|baixo|bs)"
    r"(?:gitarre|gitarr|gitar|gitara|gitaar|guitar|guitare|kitara|kytara|line|linie|lijn)?",
)
_WORDS_ELSEWHERE = re.compile(
    r"(?:контра|электро|электро-|синт)?бас(?:гитара|-гитара|гітара)?|μπασο|κοντραμπασο|nagybogo|"
    r".*(?:ベース|コントラバス|贝斯|貝斯|低音吉他|低音提琴|베이스|باص|בס|באס).*"
)
# Letters of names before Unicode, for what is read as Latin-1 because it is no UTF-8.
_LETTERS = ("cp1251", "shift_jis", "gbk", "big5", "euc_kr", "cp1253", "cp1250")
# Whatever else is called after its low pitch: a drum, a wind instrument, a voice, a hand of the piano.
_NOT_BASS = re.compile(
    r".*(?:drum|kick|clarin|klarin|tromb|posaun|flut|flot|sax|oboe|fagot|tuba|recorder|trumpet|horn|voice|vocal|vox|choir"
    r"|chor|choeur|coro|sing|piano|klavier|accord|akkord|clef|schlussel|boost|барабан|саксоф|кларн|тромб|хор).*"
)


@dataclass(frozen=True, slots=True)
class Choice:
    """The notes that are read: a track, its channels (None: all), and how it was found ("" where nothing else was)."""

    track: MidiTrack
    channels: tuple[int, ...] | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class _Voice:
    """What one instrument plays in one track: its channels, and its program if the file gives one."""

    track: MidiTrack
    channels: tuple[int, ...]
    program: int | None

    @property
    def name(self) -> str:
        return _in_its_letters(self.track.name or self.track.instrument)


def is_named(found: str, wanted: str) -> bool:
    """Whether a track's name is `wanted`; a voice's name may follow after a colon (as notation programs write it)."""
    return found.strip().partition(":")[0].strip().casefold() == wanted


def says_bass(name: str) -> bool:
    """Whether a track's name says that a bass plays it, in the usual spellings and languages."""
    plain = unicodedata.normalize("NFKD", name.casefold())
    plain = unicodedata.normalize("NFC", re.sub("[\u0300-\u036f]", "", plain))
    if _NOT_BASS.fullmatch(plain.replace("\n", " ")):
        return False
    words = re.findall(r"[^\W\d_]+(?:-[^\W\d_]+)?", plain)
    parts = [part for word in words for part in {word, *word.split("-")}]
    return any(_WORDS.fullmatch(part) or _WORDS_ELSEWHERE.fullmatch(part) for part in parts)


def _in_its_letters(name: str) -> str:
    """A name in the letters of its own country where these say bass: a file does not tell which letters it is in."""
    if name.isascii() or says_bass(name):
        return name
    for letters in _LETTERS:
        try:
            read = name.encode("latin-1").decode(letters)
        except (UnicodeError, ValueError):
            continue
        if says_bass(read):
            return read
    return name


def chosen(midi: MidiFile, track: str | int | None, seconds_at: Callable[[Any], Any], source: str) -> Choice:
    """The bass of a file; `track` asks for one by name, number or "channel N".

    `UsageError` where it must be chosen or there is none of that name, `FileFormatError` for a file without a note.
    """
    sounding = _with_notes(midi.tracks)
    if track is not None:
        return _asked(midi, str(track).strip(), source)
    unplayed = _unplayed(midi, sounding)
    if unplayed is not None:
        return Choice(unplayed)
    if not sounding:
        raise FileFormatError(f"{source}: no note in it; expected a track with the bass's notes")
    voices = _voices(midi)
    if not voices:
        raise UsageError(
            f"{source}: drums only (channel 10): {_listed(sounding)}; expected a track with the bass's notes; "
            "if it is there all the same, choose it with --track NAME or --track NUMBER"
        )
    exact = [voice for voice in voices if is_named(voice.name, "bass")]
    if len(voices) == 1 or len(exact) == 1:
        return _choice((exact or voices)[0], "")
    found, why = _likeliest(voices, exact, seconds_at)
    if found is None:
        raise _undecided(_candidates(voices, exact)[0] or voices, sounding, source)
    return _choice(found, f"{_called(found)} is read as the bass, {why}; choose another with --track NAME|NUMBER")


def _likeliest(
    voices: Sequence[_Voice], exact: Sequence[_Voice], seconds_at: Callable[[Any], Any]
) -> tuple[_Voice | None, str]:
    """Which of several voices is the bass, and by what it was told from the others."""
    candidates, why = _candidates(voices, exact)
    if len(candidates) == 1:
        return candidates[0], why
    if not candidates:
        return _lowest_line(voices, seconds_at, LOW_PITCH), "as the lowest line of single notes"
    so_named = f"as the lowest line of single notes of the {len(candidates)} so named"
    return _lowest_line(candidates, seconds_at, 127.0), so_named


def _with_notes(tracks: Sequence[MidiTrack]) -> list[MidiTrack]:
    return [track for track in tracks if track.n_note_ons]


def _unplayed(midi: MidiFile, sounding: Sequence[MidiTrack]) -> MidiTrack | None:
    """The bass's track of a song of which the player played nothing."""
    named = [item for item in midi.tracks if is_named(item.name, "bass")]
    ours = any(CHORUS_MARKER.fullmatch(text) for _, text in midi.markers)
    return named[0] if len(named) == 1 and not named[0].n_note_ons and (ours or not sounding) else None


def _candidates(voices: Sequence[_Voice], exact: Sequence[_Voice]) -> tuple[list[_Voice], str]:
    """Who may be the bass of several, by name and then by program, and which of them it was; none where neither
    says."""
    named = [*exact] or [voice for voice in voices if says_bass(voice.name)]
    by_program = [voice for voice in named or voices if voice.program in BASS_PROGRAMS]
    if len(named) == 1 or not by_program:
        return named, "by its name"
    numbers = sorted({voice.program + 1 for voice in by_program if voice.program is not None})
    return by_program, f"by its General MIDI program, {' or '.join(map(str, numbers))}"


def _voices(midi: MidiFile) -> list[_Voice]:
    """The instruments of a file that are no drums: a track, or its channels where programs tell them apart.

    Channels without different programs are the strings of one player; the basses of one track are one player's too. A
    channel's program counts wherever in the file it is given.
    """
    anywhere: dict[int, int] = {}
    for track in midi.tracks:
        anywhere = track.programs | anywhere
    out = []
    for track in midi.tracks:
        pitched = [number for number in track.note_channels if number != DRUM_CHANNEL]
        programs = {number: track.programs.get(number, anywhere.get(number)) for number in pitched}
        kinds = ["bass" if programs[number] in BASS_PROGRAMS else programs[number] for number in pitched]
        for kind in dict.fromkeys(kinds):
            mine = tuple(number for number, of in zip(pitched, kinds, strict=True) if of == kind)
            out.append(_Voice(track, mine, programs[mine[0]]))
    return out


def _choice(voice: _Voice, why: str) -> Choice:
    whole = voice.channels == voice.track.note_channels
    return Choice(voice.track, None if whole else voice.channels, why)


def _lowest_line(voices: Sequence[_Voice], seconds_at: Callable[[Any], Any], most_pitch: float) -> _Voice | None:
    """The voice of single notes with the lowest median pitch, if that is low enough; of equals the one with most."""
    lines = []
    for voice in voices:
        notes = track_notes(voice.track, seconds_at, voice.channels)
        if len(notes) < MIN_LINE_NOTES:
            continue
        gaps_s = np.diff(notes["onset_s"])
        overlapped = float(np.mean(gaps_s < 0.5 * notes["duration_s"][:-1]))
        middle = float(np.median(notes["pitch"]))
        if overlapped <= MOST_OVERLAPPED and middle <= most_pitch:
            lines.append((middle, -len(notes), voice.track.number, voice))
    return min(lines, key=lambda line: line[:3])[3] if lines else None


def _undecided(voices: Sequence[_Voice], sounding: Sequence[MidiTrack], source: str) -> UsageError:
    if len({voice.track.number for voice in voices}) == 1 and len(voices) > 1:
        listed = ", ".join(
            f"{number + 1} (program {'not given' if voice.program is None else voice.program + 1})"
            for voice in voices
            for number in voice.channels
        )
        return UsageError(
            f'{source}: several instruments in one track, on the channels {listed}; choose one with --track "channel N"'
        )
    tracks = [track for track in sounding if any(voice.track is track for voice in voices)]
    return UsageError(
        f"{source}: {len(tracks)} tracks could be the bass: {_listed(tracks)}; "
        "choose one with --track NAME or --track NUMBER"
    )


def _called(voice: _Voice) -> str:
    name = f' "{voice.name[:40]}"' if voice.name else ""
    if voice.channels != voice.track.note_channels:
        numbers = " and ".join(str(number + 1) for number in voice.channels)
        return f"channel {numbers} of track {voice.track.number}{name}"
    return f"track {voice.track.number}{name}"


def _line_channels(track: MidiTrack, source: str) -> tuple[int, ...] | None:
    """The channels that are read of a track that was asked for; None for all of them.

    Drums are left out where there is anything else. If programs tell instruments apart, the channels with a General
    MIDI bass are taken, else the channel must be chosen.
    """
    pitched = tuple(number for number in track.note_channels if number != DRUM_CHANNEL) or track.note_channels
    programs = {number: program for number, program in track.programs.items() if number in pitched}
    if len(set(programs.values())) > 1:
        basses = tuple(number for number in pitched if programs.get(number) in BASS_PROGRAMS)
        if not basses:
            voices = [_Voice(track, (number,), programs.get(number)) for number in pitched]
            raise _undecided(voices, [track], source)
        return basses
    return pitched if pitched != track.note_channels else None


def _asked(midi: MidiFile, text: str, source: str) -> Choice:
    """The track that is called so: by its name, as a channel, or by its number."""
    by_name = _of_name(midi.tracks, text.casefold())
    channel = _CHANNEL.fullmatch(text)
    if channel and not by_name:
        return _on_channel(midi, int(channel[1]) - 1, source)
    found = _with_notes(by_name) or by_name
    found = found or [item for item in midi.tracks if item.number == whole_number(text)]
    if len(found) == 1:
        return Choice(found[0], _line_channels(found[0], source))
    if found:
        raise UsageError(f'{source}: {len(found)} tracks are named "{text}": {_listed(found)}; give a number')
    sounding = _with_notes(midi.tracks)
    hint = did_you_mean(text, [item.name for item in sounding if item.name])
    raise UsageError(f'{source}: no track "{text[:60]}"; tracks with notes: {_listed(sounding) or "none"}{hint}')


def _of_name(tracks: Sequence[MidiTrack], wanted: str) -> list[MidiTrack]:
    """The tracks whose whole name is the wanted one, or whose name is but for a voice after it."""
    whole = [item for item in tracks if item.name.strip().casefold() == wanted]
    return whole or [item for item in tracks if is_named(item.name, wanted)]


def _on_channel(midi: MidiFile, number: int, source: str) -> Choice:
    """The one track that has notes on a channel (from 0)."""
    holding = [item for item in midi.tracks if number in item.note_channels]
    if len(holding) != 1:
        raise UsageError(f"{source}: {len(holding)} tracks have notes on channel {number + 1}; expected one to choose")
    return Choice(holding[0], (number,))


def _listed(tracks: Sequence[MidiTrack]) -> str:
    shown = [f'{item.number} "{item.name[:40]}" ({_notes(item.n_note_ons)})' for item in tracks[:12]]
    return ", ".join(shown) + (f" and {len(tracks) - 12} more" if len(tracks) > 12 else "")


def _notes(n: int) -> str:
    return "1 note" if n == 1 else f"{n} notes"

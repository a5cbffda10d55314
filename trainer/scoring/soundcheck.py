"""The sound check: what an input does to the notes, judged from the open strings, one loud note and one soft one.

Goal: before the first take, find what would make every later figure wrong: an octave shift or detuning, a flat
velocity, notes sent twice, and which input profile fits (`pad`, `keys`, `strings`).

Conventions: note tables as recorded (`NOTE_DTYPE`, seconds from any origin), pitches in MIDI semitones with the bend in
them, cents positive for sharp. `SoundCheck` is sans-IO: feed it note-ons, it says what to ask next; `assess` is pure.
What was not played is None with a reason, never 0. Every threshold here is our choice unless a source stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.music import FOUR_STRING, Tuning, note_name
from trainer.profiles import InputProfile, PortProfile
from trainer.scoring.clean import pitch_hz
from trainer.take.model import Calibration
from trainer.take.notes import Notes, sorted_notes

__all__ = [
    "CheckResult",
    "HeardNote",
    "SoundCheck",
    "StepSpan",
    "assess",
    "attack_idx",
    "delay_words",
    "doubled_triggers",
    "open_string_shift",
    "string_of",
]

ATTACK_GAP_S = 0.15  # a hand asked for one note does not play another sooner
DOUBLED_MAX_S = 0.060  # the same pitch again sooner than this was sent twice
FLAT_VELOCITY_RANGE = 8  # of 127, between the loudest and the softest a hand can play
FIT_SEMITONES = 0.6  # how far an open string may lie from where its shift puts it
TUNED_CENTS = 12.0  # more than this is worth a word (a just-noticeable mistuning is a few cents; pickups scatter more)
BEND_CENTS = 3.0  # a fractional pitch beyond this can only come from a pitch tracker
SHORT_NOTE_S = 0.040
PAD_LENGTH_SPREAD = 0.15  # lengths this alike were made by a machine, not by fingers
TRACKER_PERIODS = 2.0  # periods that a pitch tracker needs at least (Fonseca & Tavares 2020)

STEP_NAMES = ("open_strings", "loud", "soft")


@dataclass(frozen=True, slots=True)
class StepSpan:
    """The part of the recording that answers one step: notes with `start_s` <= onset < `end_s`."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class HeardNote:
    """A note-on as it is shown: `counted` is False for one sent twice. `string` counts from the highest (1)."""

    name: str
    pitch: float
    velocity: int
    channel: int
    string: int | None
    fret: int | None
    counted: bool


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What the sound check found; None where it could not tell, with a reason in `why`.

    `transpose_semitones` is what must be added to the input's pitches to get the ones played (octaves only; another
    constant shift is `tuned_semitones`, a tuning); `tuning_cents` is the median over the open strings after that.
    """

    profile: InputProfile
    reasons: tuple[str, ...]
    n_notes: int
    velocity_loud: int | None
    velocity_soft: int | None
    velocity_flat: bool | None
    velocity_floor: int
    n_doubled: int
    doubled_ms: float | None
    transpose_semitones: int | None = None
    tuned_semitones: int | None = None
    tuning_cents: float | None = None
    string_cents: tuple[float | None, ...] = ()
    string_channels: Mapping[str, int] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """As plain data for JSON."""
        return {
            "profile": self.profile,
            "reasons": list(self.reasons),
            "notes": self.n_notes,
            "transpose_semitones": self.transpose_semitones,
            "tuned_semitones": self.tuned_semitones,
            "tuning_cents": _rounded(self.tuning_cents),
            "string_cents": [_rounded(cents) for cents in self.string_cents],
            "velocity": {
                "loud": self.velocity_loud,
                "soft": self.velocity_soft,
                "flat": self.velocity_flat,
                "floor": self.velocity_floor,
            },
            "doubled": {"n": self.n_doubled, "median_ms": _rounded(self.doubled_ms)},
            "string_channels": dict(self.string_channels),
            "why": {name: {"code": "not_heard", "text": text} for name, text in self.why.items()},
        }

    def lines(self) -> list[str]:
        """The result in sentences, what to do about each finding beside it."""
        out = [f"Profile: {self.profile} ({'; '.join(self.reasons)})."]
        if self.transpose_semitones is None:
            out.append(f"Pitch: {self.why['transpose_semitones']}.")
        elif self.transpose_semitones:
            octaves = abs(self.transpose_semitones) // 12
            side = "low" if self.transpose_semitones > 0 else "high"
            out.append(
                f"Pitch: everything arrives {octaves} octave{'' if octaves == 1 else 's'} too {side}; "
                "it is put right while playing."
            )
        elif self.tuned_semitones:
            side = "above" if self.tuned_semitones > 0 else "below"
            n = abs(self.tuned_semitones)
            out.append(
                f"Pitch: the strings are {n} semitone{'' if n == 1 else 's'} {side} standard tuning; "
                "tune to E A D G, or landing will be judged by what sounds."
            )
        else:
            out.append("Pitch: the open strings arrive at the right octave.")
        out += self._tuning_lines()
        if self.velocity_flat is None:
            out.append(f"Velocity: {self.why['velocity_flat']}.")
        elif self.velocity_flat:
            out.append(
                f"Velocity: loud {self.velocity_loud}, soft {self.velocity_soft}: flat, so accents are not judged; "
                "look for a sensitivity or touch setting on the device."
            )
        else:
            out.append(f"Velocity: loud {self.velocity_loud}, soft {self.velocity_soft}.")
        if self.n_doubled:
            out.append(
                f"Notes sent twice: {self.n_doubled}, {self.doubled_ms:.0f} ms apart; "
                "lower the device's sensitivity, or send from one channel only."
            )
        else:
            out.append("No note was sent twice.")
        return out

    def _tuning_lines(self) -> list[str]:
        if self.tuning_cents is None:
            return []
        off = [
            f"{name} {abs(cents):.0f} cents {'sharp' if cents > 0 else 'flat'}"
            for name, cents in zip(_string_names(len(self.string_cents)), self.string_cents, strict=True)
            if cents is not None and abs(cents) > TUNED_CENTS
        ]
        return [f"Tuning: {', '.join(off)}."] if off else ["Tuning: within 12 cents."]


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 1)


def _string_names(n: int) -> tuple[str, ...]:
    return {4: ("E", "A", "D", "G"), 5: ("B", "E", "A", "D", "G")}.get(n, tuple(str(i) for i in range(n, 0, -1)))


# --- measures ---------------------------------------------------------------------------------------------------------


def doubled_triggers(notes: Notes) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which notes repeat the same pitch (to the nearest semitone, any channel) within 60 ms; the gaps in ms.

    `(n,)` bool in the table's order of onset, and `(k,)` float64 of the k repeats; empty in, empty out.
    """
    table = sorted_notes(notes)
    mask = np.zeros(len(table), dtype=np.bool_)
    gaps_ms: list[float] = []
    pitches = np.rint(table["pitch"])
    for pitch in np.unique(pitches):
        at = np.flatnonzero(pitches == pitch)
        gap_s = np.diff(table["onset_s"][at])
        again = gap_s <= DOUBLED_MAX_S
        mask[at[1:][again]] = True
        gaps_ms += (1000.0 * gap_s[again]).tolist()
    return mask, np.array(gaps_ms, dtype=np.float64)


def attack_idx(notes: Notes) -> NDArray[np.intp]:
    """Index of the first note of each attack: one that comes 150 ms or more after the attack before. (k,)."""
    onsets = sorted_notes(notes)["onset_s"]
    out: list[int] = []
    for i, onset_s in enumerate(onsets):
        if not out or onset_s - onsets[out[-1]] >= ATTACK_GAP_S:
            out.append(i)
    return np.array(out, dtype=np.intp)


def open_string_shift(
    heard: Sequence[float], tuning: Tuning = FOUR_STRING
) -> tuple[int, tuple[float | None, ...]] | None:
    """The constant shift in semitones of open strings as heard, and the cents left over for each string, lowest first.

    With as many notes as strings they are taken in the order asked (lowest first); with fewer or more, each goes to the
    nearest string under the shift that fits best. None when no shift from −36 to 36 puts every note within 0.6
    semitones of a string, or nothing was heard.
    """
    pitches = np.asarray(heard, dtype=np.float64)
    strings = np.asarray(tuning.open_pitches, dtype=np.float64)
    if not len(pitches):
        return None
    if len(pitches) == len(strings):
        shift = int(np.rint(np.median(pitches - strings)))
        rest = pitches - strings - shift
        if np.all(np.abs(rest) <= FIT_SEMITONES):
            return shift, tuple((100.0 * rest).tolist())
    # Octaves before other shifts, small before large, so that one note alone is not explained by a strange tuning.
    candidates = sorted(range(-36, 37), key=lambda s: (s % 12 != 0, abs(s)))
    for shift in candidates:
        apart = pitches[:, None] - shift - strings[None, :]
        nearest = np.argmin(np.abs(apart), axis=1)
        rest = apart[np.arange(len(pitches)), nearest]
        if np.all(np.abs(rest) <= FIT_SEMITONES):
            cents = [
                100.0 * float(np.median(rest[nearest == i])) if np.any(nearest == i) else None
                for i in range(len(strings))
            ]
            return shift, tuple(cents)
    return None


def string_of(
    pitch: float, channel: int, string_channels: Mapping[str, int], tuning: Tuning = FOUR_STRING
) -> tuple[int, int] | None:
    """(string from the highest, fret): by channel where each string has its own, else the lowest place on the neck.

    None for a pitch that the instrument does not have.
    """
    n = len(tuning.open_pitches)
    nearest = round(pitch)
    for string, its_channel in string_channels.items():
        if its_channel == channel:
            fret = nearest - tuning.open_pitches[n - int(string)]
            return (int(string), fret) if 0 <= fret <= tuning.n_frets else None
    for i in range(n - 1, -1, -1):
        fret = nearest - tuning.open_pitches[i]
        if 0 <= fret <= tuning.n_frets:
            return n - i, fret
    return None


def delay_words(pitch: float, profile: PortProfile, calibration: Calibration | None) -> str:
    """How late a note of this pitch is reported: measured, or what is known of such inputs, in a few words."""
    hz = float(pitch_hz(np.array([pitch]))[0])
    if calibration is not None:
        delay_ms = calibration.base_ms + 1000.0 * calibration.periods / hz
        return f"{delay_ms:.0f} ms late, as calibrated"
    if profile == "strings":
        return f"two periods are {1000.0 * TRACKER_PERIODS / hz:.0f} ms; calibrate to know"
    return "delay not calibrated"


def _profile(notes: Notes, doubled: NDArray[np.bool_]) -> tuple[InputProfile, tuple[str, ...]]:
    """The input profile that fits, and why."""
    if not len(notes):
        return "pad", ("nothing was heard, so nothing speaks against it",)
    table = sorted_notes(notes)
    reasons: list[str] = []
    bent = np.abs(table["pitch"] - np.rint(table["pitch"])) * 100.0 > BEND_CENTS
    if np.any(bent):
        reasons.append(f"{int(np.sum(bent))} of {len(table)} notes carry a pitch bend")
    channels = np.unique(table["channel"])
    if len(channels) >= 3:
        reasons.append(f"{len(channels)} channels, one a string")
    short = (table["duration_s"] < SHORT_NOTE_S) & ~doubled & (table["duration_s"] > 0.0)
    steps = np.abs(np.diff(np.rint(table["pitch"])))
    false_starts = int(np.sum(short[:-1] & np.isin(steps, (12, 19, 24)))) if len(table) > 1 else 0
    if false_starts:
        reasons.append(f"{false_starts} false start{'' if false_starts == 1 else 's'} an octave or twelfth away")
    if reasons:
        return "strings", tuple(reasons)
    lengths = table["duration_s"][table["duration_s"] > 0.0]
    if len(lengths) >= 3:
        median = float(np.median(lengths))
        spread = float(np.percentile(lengths, 75) - np.percentile(lengths, 25)) / median
        if spread < PAD_LENGTH_SPREAD:
            return "pad", (f"every note is about {1000.0 * median:.0f} ms long, whatever the hand does",)
        return "keys", ("exact pitches, and lengths that follow the hand",)
    return "pad", ("exact pitches, one channel",)


def assess(notes: Notes, spans: Sequence[StepSpan], tuning: Tuning = FOUR_STRING) -> CheckResult:
    """Judge a sound check from its recording. `spans` say which notes answer which step; any may be missing."""
    table = sorted_notes(notes)
    doubled, gaps_ms = doubled_triggers(table)
    profile, reasons = _profile(table, doubled)

    def answers(name: str) -> Notes:
        for span in spans:
            if span.name == name:
                part = table[(table["onset_s"] >= span.start_s) & (table["onset_s"] < span.end_s)]
                return part[attack_idx(part)]
        return table[:0]

    opens = answers("open_strings")[: len(tuning.open_pitches)]
    force = {name: int(answers(name)["velocity"][0]) for name in ("loud", "soft") if len(answers(name))}
    flat = force["loud"] - force["soft"] < FLAT_VELOCITY_RANGE if len(force) == 2 else None
    result = CheckResult(
        profile=profile,
        reasons=reasons,
        n_notes=len(table),
        velocity_loud=force.get("loud"),
        velocity_soft=force.get("soft"),
        velocity_flat=flat,
        velocity_floor=force.get("soft", 0) // 2 if profile == "strings" and not flat else 0,
        n_doubled=len(gaps_ms),
        doubled_ms=float(np.median(gaps_ms)) if len(gaps_ms) else None,
        string_channels=_string_channels(opens, tuning),
        string_cents=(None,) * len(tuning.open_pitches),
        why={} if flat is not None else {"velocity_flat": _no_range(force)},
    )
    return _tuned(result, opens, tuning)


def _no_range(force: Mapping[str, int]) -> str:
    missing = [f"no {name}" for name in ("loud", "soft") if name not in force]
    return f"{' and '.join(missing)} note was heard, so its range is not known"


def _string_channels(opens: Notes, tuning: Tuning) -> dict[str, int]:
    """The channel of each string, from the highest (1), where each has one of its own."""
    n_strings = len(tuning.open_pitches)
    if len(opens) != n_strings or len(np.unique(opens["channel"])) != n_strings:
        return {}
    return {str(n_strings - i): int(channel) for i, channel in enumerate(opens["channel"])}


def _tuned(result: CheckResult, opens: Notes, tuning: Tuning) -> CheckResult:
    """The result with what the open strings say of pitch, or why they say nothing."""
    fitted = open_string_shift(opens["pitch"].tolist(), tuning)
    if fitted is None:
        unseen = "the open strings were not heard, so an octave shift cannot be seen"
        if len(opens):
            unseen = f"the {len(opens)} notes heard are not the open strings {_tuning_words(tuning)}, shifted or not"
        why = {"transpose_semitones": unseen, "tuning_cents": "the open strings were not heard", **result.why}
        return replace(result, why=why)
    shift, string_cents = fitted
    octaves = shift % 12 == 0
    return replace(
        result,
        transpose_semitones=-shift if octaves else 0,
        tuned_semitones=0 if octaves else shift,
        tuning_cents=float(np.median([cents for cents in string_cents if cents is not None])),
        string_cents=string_cents,
    )


def _tuning_words(tuning: Tuning) -> str:
    return " ".join(note_name(pitch) for pitch in tuning.open_pitches)


# --- the conversation -------------------------------------------------------------------------------------------------


class SoundCheck:
    """Asks for the open strings, one loud note, one soft one; told each note-on, it knows what to ask next. Sans-IO."""

    def __init__(self, tuning: Tuning = FOUR_STRING) -> None:
        self.tuning = tuning
        self._wanted = [len(tuning.open_pitches), 1, 1]
        self._step = 0
        self._heard_in_step = 0
        self._last_attack_s: float | None = None
        self._starts: list[tuple[str, float]] = []
        self._recent: list[tuple[float, int]] = []

    @property
    def done(self) -> bool:
        return self._step >= len(STEP_NAMES)

    @property
    def prompt(self) -> str:
        """What to ask the player now; empty when all has been asked."""
        if self.done:
            return ""
        if self._step == 0:
            i = self._heard_in_step
            name = note_name(self.tuning.open_pitches[i])
            word = "lowest" if i == 0 else "highest" if i == self._wanted[0] - 1 else "next"
            return f"Play the {word} open string ({name}) and let it ring."
        return (
            "Play one note as loud as you ever would."
            if self._step == 1
            else "Play one note as softly as you ever would."
        )

    def feed(self, onset_s: float, pitch: float, velocity: int, channel: int) -> HeardNote:
        """A note-on arrived; what to show of it. Notes sent twice, and anything after the last step, do not count."""
        again = any(onset_s - t <= DOUBLED_MAX_S and round(pitch) == p for t, p in self._recent)
        self._recent = [*self._recent[-7:], (onset_s, round(pitch))]
        attack = self._last_attack_s is None or onset_s - self._last_attack_s >= ATTACK_GAP_S
        counted = attack and not again and not self.done
        if counted:
            self._last_attack_s = onset_s
            if self._heard_in_step == 0:
                self._starts.append((STEP_NAMES[self._step], onset_s))
            self._heard_in_step += 1
            if self._heard_in_step >= self._wanted[self._step]:
                self._advance()
        fretting = string_of(pitch, channel, {}, self.tuning)
        string, fret = fretting if fretting is not None else (None, None)
        return HeardNote(note_name(pitch), pitch, velocity, channel, string, fret, counted)

    def skip(self) -> None:
        """Leave this step unanswered and go on to the next."""
        if not self.done:
            self._advance()

    def _advance(self) -> None:
        self._step += 1
        self._heard_in_step = 0

    def spans(self) -> tuple[StepSpan, ...]:
        """Which part of the recording answers which step, for `assess`."""
        ends = [start_s for _, start_s in self._starts[1:]] + [float("inf")]
        return tuple(StepSpan(name, start_s, end_s) for (name, start_s), end_s in zip(self._starts, ends, strict=True))

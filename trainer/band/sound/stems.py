"""The band as separate parts, any block of it at any time: a list of voices and a window moving over it.

No buffer of the song is kept: a block adds up the sounds that reach into it, so blocks may be asked for in any order
and give the same samples however they are cut. An event sounds from the frame nearest to its intended onset.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trainer.band.events import PARTS, TOUCH, BandScore, glide_s
from trainer.band.sound.bank import Sound, instrument, within_reach
from trainer.band.sound.speaker import Speaker
from trainer.band.sound.synth import CONSONANTS, MURMUR, N_VOWELS, Consonant, consonant_noise
from trainer.clock.tempo import TempoMap
from trainer.music.grooves import pattern as drums

__all__ = ["CLICK", "KEY_CLICK_S", "StemRenderer"]

KEY_CLICK_S = 0.012  # how long the contact of an organ's key is heard; our choice
_KEY_CLICK_LEVEL = 0.26

# A click: one full sample and a short dying row behind it.
CLICK: Final[NDArray[np.float32]] = np.concatenate(([1.0], 0.5 * 0.8 ** np.arange(1, 48))).astype(np.float32)

# General MIDI program (as on the wire) → instrument of the bank; anything else is played as the nearest family.
_OF_PROGRAM = {16: "organ", 4: "electric_piano", 28: "chop", 26: "lead", 53: "voice", 32: "guide", 33: "guide"}
_OF_PART = ("drums", "organ", "chop", "lead", "guide", "drums")

# Level of an instrument at velocity 127, of full scale; balanced with a BS.1770 meter, our choice.
_LEVEL = {
    "drums": 0.68,
    "organ": 0.117,
    "electric_piano": 0.139,
    "chop": 0.165,
    "lead": 0.084,
    "voice": 0.112,
    "guide": 0.375,
}
_DRUM_LEVEL = {
    drums.KICK: 0.88,
    drums.SNARE: 0.90,
    drums.SIDE_STICK: 0.86,
    drums.CLOSED_HAT: 0.30,
    drums.PEDAL_HAT: 0.22,
    drums.OPEN_HAT: 0.26,
    drums.RIDE: 0.43,
    drums.RIDE_BELL: 0.36,
    drums.CRASH: 0.55,
    drums.LOW_TOM: 0.7,
    drums.MID_TOM: 0.66,
    drums.HIGH_TOM: 0.62,
}
# Attack and release in seconds.
_ATTACK_S = {"organ": 0.004, "voice": 0.045}
_RELEASE_S = {"organ": 0.09, "voice": 0.16, "electric_piano": 0.14, "chop": 0.06, "lead": 0.12, "guide": 0.07}
_SETTLE_S, _SETTLES_TO = 0.35, 0.55  # a sung note begins full and eases off; our choice
_CHOKE_S = 0.03  # an open hat closing
_LAYER_TOPS = (58, 96)  # velocities up to which the soft and the middle strike are used

_HATS = (drums.CLOSED_HAT, drums.PEDAL_HAT, drums.OPEN_HAT)


class StemRenderer:
    """Renders blocks of every part. `n_frames` covers the song with its last ring; frame 0 is at `start_s`.

    `clicks` puts a click in place of each drum and count sound (for checks of timing).
    """

    def __init__(self, score: BandScore, tempo: TempoMap, sample_rate_hz: int, *, clicks: bool = False) -> None:
        events = score.events
        self.n_parts = len(PARTS)
        self.sample_rate_hz = int(sample_rate_hz)
        self.start_s = float(tempo.seconds_at(score.first_beats))
        rate = self.sample_rate_hz
        onsets = np.rint((score.onsets_s(tempo) - self.start_s) * rate).astype(np.int64)
        np.maximum(onsets, 0, out=onsets)
        lengths = np.rint(score.durations_s(tempo) * rate).astype(np.int64)
        order = np.argsort(onsets, kind="stable")
        events, onsets, lengths = events[order], onsets[order], lengths[order]
        n = events.size
        self._begins = onsets
        self._releases = onsets + lengths
        self._parts = events["part"].astype(np.intp)
        self._sounds: list[Sound | None] = []
        self._gains = np.zeros(n)
        self._attacks = np.zeros(n, dtype=np.int64)
        self._fades = np.zeros(n, dtype=np.int64)
        self._keyed = np.zeros(n, dtype=np.bool_)
        self._sung = np.zeros(n, dtype=np.bool_)
        # Bent notes: semitones at first and at last, frames from the onset where the glide begins and ends.
        self._bends: dict[int, tuple[float, float, float, float]] = {}
        self._key_click = _key_click(rate)
        # Sung notes: how each begins, and with what noise.
        self._words: dict[int, _Word] = {}
        self._ends = np.zeros(n, dtype=np.int64)
        choked = _choked_at(events, onsets)
        strikes: Counter[int] = Counter()
        for i in range(n):
            name, pitch = _OF_PART[self._parts[i]], int(events["pitch"][i])
            if name != "drums":
                self._hold(i, events[i], _OF_PROGRAM.get(score.programs.get(int(events["channel"][i]), -1), name))
            elif clicks:
                self._sounds.append(None)
                self._gains[i] = 0.2 + 0.6 * int(events["velocity"][i]) / 127.0
                self._ends[i] = onsets[i] + CLICK.size
            else:
                self._strike(i, pitch, int(events["velocity"][i]), strikes[pitch], choked[i])
                strikes[pitch] += 1
        fast_s = [tuple(float(tempo.seconds_at(b)) - self.start_s for b in span) for span in score.fast_spans]
        self._speaker = Speaker(((begin, end) for begin, end in fast_s), rate)
        self._reach = int((self._ends - self._begins).max(initial=0))
        last = int((self._ends + self._keyed * self._speaker.pad_frames).max(initial=0))
        if score.end_beats is not None:
            last = max(last, round((float(tempo.seconds_at(score.end_beats)) - self.start_s) * rate))
        self.n_frames = last

    def _strike(self, i: int, pitch: int, velocity: int, strike: int, choked: np.int64) -> None:
        """Event `i` is a drum's stroke, after so many of its own; `choked` is the frame where it is cut off."""
        sound = _drum(instrument("drums", self.sample_rate_hz), pitch, velocity, strike)
        natural = self._begins[i] + sound.frames.shape[0]
        self._sounds.append(sound)
        self._gains[i] = _LEVEL["drums"] * _DRUM_LEVEL.get(pitch, 0.4) * (velocity / 127.0) ** TOUCH
        self._fades[i] = int(_CHOKE_S * self.sample_rate_hz)
        self._releases[i] = min(choked, natural)
        self._ends[i] = min(natural, choked + self._fades[i])

    def _hold(self, i: int, event: np.void, name: str) -> None:
        """Event `i` is a note of the instrument `name`, held until it is let go."""
        rate, sounds = self.sample_rate_hz, instrument(name, self.sample_rate_hz)
        pitch, velocity = int(event["pitch"]), int(event["velocity"])
        layer = 0 if velocity <= 84 else 1
        if name == "voice":  # another vowel and another consonant to each note, as words have
            n_sung = len(self._words)
            self._words[i] = _Word.of(n_sung, pitch, sounds, rate)
            layer = (n_sung + pitch) % N_VOWELS
        sound = _note(sounds, pitch, layer)
        self._sounds.append(sound)
        self._gains[i] = _LEVEL[name] * (velocity / 127.0) ** TOUCH
        self._fades[i] = int(_RELEASE_S[name] * rate)
        self._attacks[i] = int(_ATTACK_S.get(name, 0.0) * rate)
        self._keyed[i] = name == "organ"
        self._sung[i] = name == "voice"
        self._ends[i] = self._releases[i] + self._fades[i]
        bend_from, bend_to = float(event["bend_from"]), float(event["bend_to"])
        if bend_from or bend_to:
            begins_s, ends_s = glide_s(bend_from, bend_to, (self._releases[i] - self._begins[i]) / rate)
            self._bends[i] = (bend_from, bend_to, begins_s * rate, ends_s * rate)
        if not sound.loops:
            self._ends[i] = min(self._ends[i], self._begins[i] + sound.frames.shape[0])

    def block(self, first_frame: int, n_frames: int) -> NDArray[np.float32]:
        """(n_parts, n_frames, 2) float32 from `first_frame` on; silence outside the song."""
        out = np.zeros((self.n_parts, n_frames, 2), dtype=np.float32)
        last_frame = first_frame + n_frames
        pad = self._speaker.pad_frames
        low = int(np.searchsorted(self._begins, first_frame - pad - self._reach, side="left"))
        high = int(np.searchsorted(self._begins, last_frame, side="left"))
        heard = low + np.flatnonzero(self._ends[low:high] > first_frame - pad)
        for i in heard[~self._keyed[heard]]:
            self._add(out, int(i), first_frame, last_frame)
        keyed = heard[self._keyed[heard]]
        if keyed.size:  # through the speaker, all keys at once
            dry = np.zeros((self.n_parts, pad + n_frames, 2), dtype=np.float32)
            for i in keyed:
                self._add(dry, int(i), first_frame - pad, last_frame)
            for part in np.unique(self._parts[keyed]):
                out[part] += self._speaker.turned(dry[part], first_frame)
        return out

    def _add(self, out: NDArray[np.float32], i: int, first_frame: int, last_frame: int) -> None:
        begin = int(self._begins[i])
        start, stop = max(begin, first_frame), min(int(self._ends[i]), last_frame)
        if stop <= start:
            return
        target = out[self._parts[i], start - first_frame : stop - first_frame]
        sound = self._sounds[i]
        gain = float(self._gains[i])
        if sound is None:
            target += (gain * CLICK[start - begin : stop - begin])[:, None]
            return
        if sound.loops:
            piece: NDArray[Any] = self._looped(i, sound, start, stop)
        elif i in self._bends:
            at = np.arange(start - begin, stop - begin, dtype=np.float64)
            piece = _read_at(sound.frames, _bent(at, *self._bends[i]))
        else:
            piece = sound.frames[start - begin : stop - begin]
        if i in self._words:
            noise = self._words[i].noise[start - begin : stop - begin]
            target[: noise.shape[0]] += np.float32(gain) * noise
        if self._keyed[i] and start < begin + self._key_click.shape[0]:
            click = self._key_click[start - begin : stop - begin]
            target[: click.shape[0]] += np.float32(_KEY_CLICK_LEVEL * gain) * click
        target += piece * self._shape(i, start, stop, np.float32(gain * sound.scale))

    def _shape(self, i: int, start: int, stop: int, scale: np.float32) -> np.float32 | NDArray[np.float32]:
        """How loud a sound is over its frames `start` to `stop`: (n, 1), or one factor where it neither rises nor
        fades."""
        begin, release = int(self._begins[i]), int(self._releases[i])
        fade, attack = int(self._fades[i]), int(self._attacks[i])
        rising = attack > 0 and start < begin + attack
        if not rising and stop <= release and not self._sung[i]:
            return scale
        shape = np.full(stop - start, scale, dtype=np.float32)
        at = np.arange(start, stop)
        if stop > release and fade > 0:
            shape *= np.clip(1.0 - (at - release) / fade, 0.0, 1.0).astype(np.float32) ** 2
        if self._sung[i]:
            eased = np.exp(-(at - begin) / (_SETTLE_S * self.sample_rate_hz))
            shape *= (_SETTLES_TO + (1.0 - _SETTLES_TO) * eased).astype(np.float32)
        if rising:
            shape *= np.clip((at - begin + 1) / attack, 0.0, 1.0).astype(np.float32)
        return shape[:, None]

    def _looped(self, i: int, sound: Sound, start: int, stop: int) -> NDArray[Any]:
        """A looped sound by the song's own frames, so that a note struck again goes on where it was; a sung one from
        its murmur into its vowel, and from where it is bent from."""
        begin = int(self._begins[i])
        at = np.arange(start, stop)
        points: NDArray[np.float64] | None = None
        if i in self._bends and start < begin + self._bends[i][3]:  # it arrives where the loop would be by then
            ends = self._bends[i][3]
            points = _bent((at - begin).astype(np.float64), *self._bends[i])
            points += begin + ends - float(_bent(np.array([ends]), *self._bends[i])[0])
        vowel = _read_round(sound.frames, at, points)
        word = self._words.get(i)
        if word is None or word.murmur_frames == 0 or start >= begin + 2 * word.murmur_frames:
            return vowel
        opened = np.clip((at - begin) / word.murmur_frames - 1.0, 0.0, 1.0).astype(np.float32)[:, None]
        murmur = _read_round(word.murmur.frames, at, points) * np.float32(word.murmur.scale / sound.scale)
        out: NDArray[np.float32] = vowel * opened + murmur * (np.float32(1.0) - opened)
        return out


@dataclass(frozen=True)
class _Word:
    """How a sung note begins: the murmur's sound, for how many frames (as many again until the mouth is open), and the
    noise (n, 2) over it."""

    murmur: Sound
    murmur_frames: int
    noise: NDArray[np.float32]

    @classmethod
    def of(cls, n_sung: int, pitch: int, sounds: dict[tuple[int, int, int], Sound], rate_hz: int) -> _Word:
        """Of the note that is sung after `n_sung` others."""
        consonant = CONSONANTS[(5 * n_sung + n_sung // 3 + pitch) % len(CONSONANTS)]
        return cls(
            _note(sounds, pitch, MURMUR), round(0.5 * consonant.murmur_s * rate_hz), _noise_of(consonant, rate_hz)
        )


@lru_cache(maxsize=32)
def _noise_of(consonant: Consonant, rate_hz: int) -> NDArray[np.float32]:
    noise: NDArray[np.float32] = np.outer(consonant_noise(rate_hz, consonant), [0.7, 0.72]).astype(np.float32)
    return noise


def _bent(at: NDArray[np.float64], bend_from: float, bend_to: float, begins: float, ends: float) -> NDArray[np.float64]:
    """Where a bent note's sound is read at frames `at` from its onset: the sum of its speed so far, (n,) in and out.

    Speed is 2 ** (semitones / 12); while it glides in a straight line of semitones the sum is an exponential's.
    """
    slope = np.log(2.0) / 12.0 * (bend_to - bend_from) / (ends - begins)  # of the logarithm of speed, a frame
    first, last = 2.0 ** (bend_from / 12.0), 2.0 ** (bend_to / 12.0)
    stood, after = np.minimum(at, begins), np.maximum(at - ends, 0.0)
    glid = np.clip(at - begins, 0.0, ends - begins)
    climbed = np.expm1(slope * glid) / slope if slope else glid
    out: NDArray[np.float64] = first * (stood + climbed) + last * after
    return out


def _read_at(frames: NDArray[Any], points: NDArray[np.float64]) -> NDArray[np.float32]:
    """(n, sides): `frames` read between its rows, in a straight line from one to the next; its last row beyond it."""
    here = np.minimum(points.astype(np.intp), frames.shape[0] - 1)
    after = np.minimum(here + 1, frames.shape[0] - 1)
    share = (points - here)[:, None].clip(0.0, 1.0).astype(np.float32)
    out: NDArray[np.float32] = frames[here] * (np.float32(1.0) - share) + frames[after] * share
    return out


def _read_round(frames: NDArray[Any], at: NDArray[np.int64], points: NDArray[np.float64] | None) -> NDArray[Any]:
    """(n, sides): a loop read round and round at frames `at`, or between its rows at `points`."""
    if points is None:
        rows: NDArray[Any] = frames[at % frames.shape[0]]
        return rows
    whole = np.floor(points)
    here = whole.astype(np.int64) % frames.shape[0]
    share = (points - whole)[:, None].astype(np.float32)
    out: NDArray[np.float32] = frames[here] * (np.float32(1.0) - share) + frames[(here + 1) % frames.shape[0]] * share
    return out


def _key_click(rate_hz: int) -> NDArray[np.float32]:
    """(n, 2): the short noise of a key's contacts, over the tone and gone before it is a note of its own."""
    n = int(KEY_CLICK_S * rate_hz)
    noise = np.random.default_rng(31).standard_normal(n + 1)
    body = np.diff(noise) * np.exp(-np.arange(n) / (0.0025 * rate_hz))
    body *= np.clip((n - np.arange(n)) / (0.002 * rate_hz), 0.0, 1.0)
    click: NDArray[np.float32] = np.outer(body / np.abs(body).max(), [0.8, 0.6]).astype(np.float32)
    return click


def _choked_at(events: NDArray[Any], onsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frame at which each open hat is closed by the next hat stroke; a far frame for everything else: (n,)."""
    out = np.full(events.size, np.iinfo(np.int64).max // 4, dtype=np.int64)
    is_hat = (events["part"] == 0) & np.isin(events["pitch"], _HATS)
    hats = np.flatnonzero(is_hat)
    for here, after in pairwise(hats):
        if events["pitch"][here] == drums.OPEN_HAT:
            out[here] = onsets[after]
    return out


def _drum(sounds: dict[tuple[int, int, int], Sound], pitch: int, velocity: int, strike: int) -> Sound:
    layer = int(np.searchsorted(_LAYER_TOPS, velocity))
    if (pitch, layer, 0) not in sounds:
        pitch = drums.SIDE_STICK
    n_strikes = sum((pitch, layer, k) in sounds for k in range(8))
    return sounds[(pitch, layer, (strike * 2 + strike // n_strikes) % n_strikes)]


def _note(sounds: dict[tuple[int, int, int], Sound], pitch: int, layer: int) -> Sound:
    pitch = within_reach(pitch, sounds)
    return sounds.get((pitch, layer, 0)) or sounds[(pitch, 0, 0)]

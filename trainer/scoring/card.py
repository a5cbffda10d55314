"""The scorecard: every section of a take's score in one frozen tree, and its JSON.

Sections are always there; an absent figure is null and named in its section's `why` ({"code", "text"}). Times in ms
(late positive), bars and choruses 1-based, spans inclusive. `assembling.score` makes one;
`figure.read` takes one back from its JSON.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, NotRequired, TypeAlias, TypedDict

from msgspec import Meta

from trainer._version import __version__
from trainer.profiles import Profile
from trainer.scoring.beat import BeatBy
from trainer.scoring.clean import CleanCounts
from trainer.scoring.devices import Devices
from trainer.scoring.figure import (
    Count,
    Digits,
    Explains,
    Figure,
    Hidden,
    Key,
    Measure,
    Row,
    Section,
    Shown,
    Sometimes,
    json_type,
    measures_of,
    read,
)
from trainer.scoring.form import FormResult
from trainer.scoring.landing import Landing
from trainer.scoring.reading import Reading
from trainer.scoring.shape import Shape
from trainer.scoring.swing import Swing
from trainer.scoring.timing import Timing
from trainer.scoring.verdict import Verdict
from trainer.scoring.why import Why
from trainer.session import Chart, Session
from trainer.take.record import schema_of

__all__ = ["MEASURES", "REVISION", "SCHEMA", "Card", "Scorecard", "TakeFacts", "as_kept", "json_schema"]

REVISION = 30  # of the figures: raised whenever the same take comes out otherwise, so that kept cards are made anew
Sha256: TypeAlias = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]


@dataclass(frozen=True, slots=True)
class SchemaName(Row):
    """Which schema the JSON keeps."""

    name: Literal["scorecard"] = "scorecard"
    major: Literal[1] = 1
    minor: Count = 0


SCHEMA = SchemaName()


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationFacts(Row):
    """The measured latency that the take was read with."""

    base_ms: Annotated[Figure, Shown("base_ms", 3, ci="base_ci95_ms", title="latency", unit="ms")]
    periods: Annotated[Figure, Shown("periods", 3, ci="periods_ci95", title="periods of the note")]
    monitor: bool
    n: Count
    made: str


class NextBest(TypedDict):
    bar: int
    beat: float
    share: float


# Where the first downbeat came from; if from the notes, how sure that is and what else it may be.
Downbeat = TypedDict(
    "Downbeat",
    {
        "from": Literal["take", "marker", "option", "auto", "start of file"],
        "origin_beats": NotRequired[float],
        "sureness": NotRequired[Annotated[float, Meta(ge=0.0, le=1.0)]],
        "bar": NotRequired[Annotated[int, Meta(ge=1)]],
        "beat": NotRequired[Annotated[float, Meta(ge=1.0)]],
        "phase_beats": NotRequired[float],
        "next_best": NotRequired[NextBest | None],
        "n_notes": NotRequired[Count],
    },
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts(Section):
    """What the take is, and what was done to it before it was measured."""

    notes: Count
    choruses: Count | None
    key: Annotated[str, Meta(pattern="^[A-G][#b]?m?$")] | None
    tempo_bpm: Annotated[float, Digits(3)]
    profile: Profile
    cleaned: CleanCounts
    transposed_semitones: int
    detuned_semitones: Annotated[float, Digits(3)]
    octaves_off: int
    phase_s: Annotated[float, Digits(2, 1000.0), Key("phase_ms")]
    downbeat: Downbeat
    beat_this_file: BeatBy  # whose beat it is judged by
    remarks: tuple[str, ...]  # what was odd about the file, a line each
    no_session: Annotated[Why | None, Explains("choruses", "key")] = None
    tuning: Annotated[Why | None, Explains("tuning")] = None


@dataclass(frozen=True, kw_only=True)
class Card(Section):
    """What the JSON holds."""

    schema: SchemaName = SCHEMA
    scorer: Annotated[str, Meta(min_length=1)] = __version__
    take_sha256: Sha256
    session_sha256: Sha256 | None
    calibration: CalibrationFacts | None
    take: TakeFacts
    timing: Timing
    swing: Swing
    landing: Landing
    form: FormResult
    shape: Shape
    devices: Devices
    verdict: Verdict
    file: Sometimes[str] = None
    unscored: Annotated[Why | None, Explains("session_sha256")] = None
    uncalibrated: Annotated[Why | None, Explains("calibration")] = None


@dataclass(frozen=True, kw_only=True)
class Scorecard(Card):
    """One take's score. The sections hold more than the JSON; `reading` is what all of them saw."""

    reading: Hidden[Reading]
    session: Hidden[Session | None]

    @property
    def chart(self) -> Chart | None:
        return self.reading.chart


def as_kept(card: Card) -> Card:
    """The card as it comes back from its JSON: what is judged by it is judged alike today and from the shelf."""
    return read(Card, card.to_dict())


MEASURES: tuple[Measure, ...] = measures_of(Card)


def json_schema() -> dict[str, Any]:
    """The JSON Schema of a card, from the declarations of its figures."""
    about = (
        "What one take comes to. Times in ms, late positive; bars and choruses count from 1 (chorus 0 is the intro), "
        "spans include their ends. A figure that cannot be given is null and named in its section's `why`."
    )
    return schema_of(json_type(Card), "Scorecard", about)

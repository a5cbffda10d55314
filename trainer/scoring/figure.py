"""One figure, and what is declared beside it: everything that shows, stores or compares it follows from that.

A section of the card is a frozen dataclass whose annotations say how each field appears: `Annotated[Figure, Shown(…)]`
for a figure, plain types for counts, words, items and spans, `Hidden[…]` for what stays inside. From them come the JSON
(`to_dict`), its type for the JSON Schema and for reading a kept card back (`json_type`, `read`), and the list of
measures (`measures_of`). A figure without a declaration is an error.

Conventions: a figure's unit is its field's (seconds end in `_s`); `Shown.scale` takes it to the unit of its key.
"""

from __future__ import annotations

import math
import types
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache
from keyword import iskeyword
from typing import Annotated, Any, ClassVar, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec

from trainer.scoring.why import Why, number

__all__ = [
    "NO_FIGURE",
    "Count",
    "Digits",
    "Explains",
    "Figure",
    "Hidden",
    "Key",
    "Measure",
    "Row",
    "Section",
    "Shown",
    "Sometimes",
    "computed",
    "json_type",
    "measured",
    "measures_of",
    "not_computed",
    "read",
]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its 95 % interval and the number of observations; NaN where absent, then `why` says why."""

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    n: int = 0
    why: Why | None = None

    @property
    def known(self) -> bool:
        return math.isfinite(self.value)

    @property
    def interval(self) -> tuple[float, float] | None:
        """(low, high), None when either end is missing."""
        return (self.low, self.high) if math.isfinite(self.low) and math.isfinite(self.high) else None

    def scaled(self, by: float) -> Figure:
        return Figure(by * self.value, by * self.low, by * self.high, self.n, self.why)

    def because(self, why: Why | None) -> Figure:
        """The same with a reason for what is absent."""
        return Figure(self.value, self.low, self.high, self.n, why)


NO_FIGURE = Figure()


# --- what is said in annotations ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shown:
    """How a figure appears: its key and digits in JSON, the keys of its interval and n, and what it is called.

    `scale` takes the field's unit to the key's. `title` (in a narrow place `short`), `unit`, `shown_digits` and
    `meaning` are for people; `better` says which way is (0: neither). `columns` name it in tables (CSV: the figure,
    low, high, n), `followed` over weeks (history); `firm`: followed only where it has an interval. `compared`: a row
    where two takes are compared. `asked`: a worksheet may ask for it. `of`: gives the figure from a reading, for one
    that stands in a module of its own.
    """

    key: str
    digits: int
    ci: str = ""
    n: str = ""
    scale: float = 1.0
    least: float | None = None
    most: float | None = None
    title: str = ""
    short: str = ""
    unit: str = ""
    shown_digits: int = 1
    better: Literal[-1, 0, 1] = 0
    meaning: str = ""
    columns: tuple[str, ...] = ()
    followed: str = ""
    firm: bool = False
    compared: bool = False
    asked: bool = False
    of: Callable[..., Figure] | None = None

    def number(self, value: float) -> float | None:
        return number(self.scale * value, self.digits)

    def shown(self, figure: Figure) -> Figure:
        """The figure in the unit of its key."""
        return figure if self.scale == 1.0 else figure.scaled(self.scale)

    def as_written(self, figure: Figure) -> Figure:
        """The figure as its keys have it: in their unit, rounded, with an interval only where there is a key for it."""
        ends = (figure.low, figure.high) if self.ci else (math.nan, math.nan)
        value, low, high = (_or_nan(self.number(x)) for x in (figure.value, *ends))
        return Figure(value, low, high, figure.n, figure.why)

    def write(self, figure: Figure, out: dict[str, Any], why: dict[str, Why]) -> None:
        """Its keys into `out`; the reason for those that are null into `why`."""
        out[self.key] = self.number(figure.value)
        if self.ci:
            ends = [self.number(figure.low), self.number(figure.high)]
            out[self.ci] = None if None in ends else ends
        if self.n:
            out[self.n] = figure.n
        if figure.why is not None:
            why.update({key: figure.why for key in (self.key, self.ci) if key and out[key] is None})

    def read(self, raw: Any, why: Mapping[str, Why]) -> Figure:
        """The figure from the JSON's object; `raw` has its keys as attributes."""
        low, high = (getattr(raw, self.ci) if self.ci else None) or (math.nan, math.nan)
        n = getattr(raw, self.n) if self.n else 0
        reason = why.get(self.key) or why.get(self.ci)
        by = 1.0 / self.scale
        return Figure(by * _or_nan(getattr(raw, self.key)), by * low, by * high, n, reason)

    def json_fields(self) -> Iterator[tuple[str, Any]]:
        """(key, type) of each key."""
        about = msgspec.Meta(title=self.title or None, description=self.meaning or None)
        yield self.key, Annotated[Annotated[float, msgspec.Meta(ge=self.least, le=self.most)] | None, about]
        if self.ci:
            yield self.ci, tuple[float, float] | None
        if self.n:
            yield self.n, Count


@dataclass(frozen=True, slots=True)
class Digits:
    """A plain number, rounded; NaN becomes null. `scale` takes it to the unit of its key."""

    digits: int
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Key:
    """The key of a field that cannot have its key's name."""

    name: str


@dataclass(frozen=True, slots=True)
class Explains:
    """On a `Why | None`: the keys (no figures) that it explains. A count that is explained is null."""

    keys: tuple[str, ...]

    def __init__(self, *keys: str) -> None:
        object.__setattr__(self, "keys", keys)


class _Mark:
    """A word in an annotation."""


_HIDDEN, _SOMETIMES = _Mark(), _Mark()
Hidden = Annotated[T, _HIDDEN]  # not in the JSON
Sometimes = Annotated[T | None, _SOMETIMES]  # its key is left out where it is None
Count = Annotated[int, msgspec.Meta(ge=0)]


class Row:
    """A part of the card: gives its JSON from its annotations."""

    __slots__ = ()
    explained: ClassVar[bool] = False  # whether it has a `why` of its own

    def to_dict(self) -> dict[str, Any]:
        return _write(self)[0]

    def written(self, name: str, row: str | None = None) -> Figure:
        """The figure, or the plain number, of a field as its key has it: what a page shows is what the JSON holds.

        `row` names one of several figures.
        """
        part = next(part for part in _parts(type(self)) if part.name == name)
        value = getattr(self, name) if row is None else getattr(self, name)[row]
        if isinstance(part.inner, Shown):
            return part.inner.as_written(value)
        return Figure(_or_nan(number(part.inner.scale * value, part.inner.digits)))


class Section(Row):
    """A part with its own `why`: every key that is null is named there."""

    __slots__ = ()
    explained = True

    @property
    def why(self) -> dict[str, Why]:
        """The reasons for what is absent, by key."""
        return _keys(self)[1]


def measured(shown: Shown) -> Callable[[Callable[[Any], Figure]], Figure]:
    """A property that is a measure without a key of its own in the JSON."""

    def mark(method: Callable[[Any], Figure]) -> Figure:
        made = _Measured(method)
        made.shown = shown
        return made  # type: ignore[return-value]

    return mark


class _Measured(property):
    shown: Shown


# --- from annotations to parts --------------------------------------------------------------------------------------


def _bare(hint: Any) -> tuple[Any, tuple[Any, ...]]:
    """A type without its `Annotated`, and what was said there."""
    said: tuple[Any, ...] = ()
    while get_origin(hint) is Annotated:
        said += hint.__metadata__
        hint = hint.__origin__
    return hint, said


def _without_none(hint: Any) -> Any:
    """X of `X | None`, X of anything else."""
    if get_origin(hint) in (Union, types.UnionType):
        rest = [arg for arg in get_args(hint) if arg is not type(None)]
        return rest[0] if len(rest) == 1 else hint
    return hint


_PARTS: dict[type[Any], tuple[_Part, ...]] = {}
_ORDER: dict[type[Any], tuple[tuple[_Part, bool], ...]] = {}
_TYPES: dict[type[Any], type[msgspec.Struct]] = {}


def _parts(cls: type[Any]) -> tuple[_Part, ...]:
    if cls not in _PARTS:
        hints = get_type_hints(cls, include_extras=True)
        found = (_part(cls, field.name, hints[field.name]) for field in fields(cls))
        _PARTS[cls] = tuple(part for part in found if part is not None)
    return _PARTS[cls]


@dataclass(frozen=True, slots=True)
class _Part:
    """One field: how it is called, written, typed and read. A plain value where no subclass says otherwise.

    `inner`: Shown, Digits, Explains, or the class of a row; `optional`: the key may be left out.
    """

    name: str
    key: str
    hint: Any
    inner: Any = None
    optional: bool = False

    def write(self, value: Any, out: dict[str, Any], why: dict[str, Why]) -> None:
        """Its keys into `out`; the reasons for those that are null into `why`."""
        out[self.key] = _plain(value)

    @property
    def may_be_null(self) -> bool:
        bare, _ = _bare(self.hint)
        return _without_none(bare) is not bare and not self.optional

    def json_type(self) -> Any:
        """The type of its key's value where that is not null."""
        return _without_none(_bare(self.hint)[0]) if self.optional or self.may_be_null else self.hint

    def json_fields(self) -> Iterator[tuple[str, Any]]:
        """(key, type) of each key."""
        yield self.key, self.json_type() | None if self.may_be_null else self.json_type()

    @property
    def absent(self) -> Any:
        """What stands in the field where its key is null or left out: of a count that is explained 0."""
        return 0 if _bare(self.hint)[0] is int else None

    def of_json(self, value: Any, why: Mapping[str, Why]) -> Any:
        return value

    def read(self, raw: Any, why: Mapping[str, Why]) -> Any:
        """The field from the JSON's object; `raw` has its keys as attributes."""
        value = getattr(raw, _attr(self.key))
        return self.absent if value is msgspec.UNSET or value is None else self.of_json(value, why)


class _FigurePart(_Part):
    __slots__ = ()

    def write(self, value: Figure, out: dict[str, Any], why: dict[str, Why]) -> None:
        self.inner.write(value, out, why)

    def json_fields(self) -> Iterator[tuple[str, Any]]:
        yield from self.inner.json_fields()

    def read(self, raw: Any, why: Mapping[str, Why]) -> Figure:
        figure: Figure = self.inner.read(raw, why)
        return figure


class _FiguresPart(_Part):
    """Figures by name, each as an object of its keys; as its number alone where the declaration names no key."""

    __slots__ = ()

    def write(self, value: Mapping[str, Figure], out: dict[str, Any], why: dict[str, Why]) -> None:
        rows: dict[str, Any] = {}
        for name, figure in value.items():
            inside: dict[str, Any] = {}
            self.inner.write(figure, inside, {})
            rows[name] = inside if self.inner.key else inside[""]
        out[self.key] = rows

    def json_type(self) -> Any:
        inner = dict(self.inner.json_fields())
        each = inner.get("") or _object(self.name, tuple(inner.items()))
        return dict[str, each]  # type: ignore[valid-type]

    def of_json(self, value: Any, why: Mapping[str, Why]) -> dict[str, Figure]:
        if self.inner.key:
            return {key: self.inner.read(item, {}) for key, item in value.items()}
        return {key: Figure(_or_nan(item)) for key, item in value.items()}


class _NumberPart(_Part):
    __slots__ = ()

    def write(self, value: float, out: dict[str, Any], why: dict[str, Why]) -> None:
        out[self.key] = number(self.inner.scale * value, self.inner.digits)

    @property
    def may_be_null(self) -> bool:
        return True

    def json_type(self) -> Any:
        return float

    @property
    def absent(self) -> float | None:
        return None if type(None) in get_args(_bare(self.hint)[0]) else math.nan

    def of_json(self, value: Any, why: Mapping[str, Why]) -> Any:
        return value / self.inner.scale


class _RowPart(_Part):
    """A part inside this one: the reasons that it has no `why` of its own for stand in that of the part around it."""

    __slots__ = ()

    def write(self, value: Row, out: dict[str, Any], why: dict[str, Why]) -> None:
        out[self.key], reasons = _write(value)
        why.update({f"{self.key}_{key}": reason for key, reason in reasons.items()})

    def json_type(self) -> Any:
        return json_type(self.inner)

    def of_json(self, value: Any, why: Mapping[str, Why]) -> Any:
        return _read(self.inner, value, why, f"{self.key}_")


class _RowsPart(_Part):
    __slots__ = ()

    def write(self, value: tuple[Row, ...], out: dict[str, Any], why: dict[str, Why]) -> None:
        out[self.key] = [_write(row)[0] for row in value]

    def json_type(self) -> Any:
        hint: Any = list[json_type(self.inner)]  # type: ignore[misc]
        for limit in (mark for mark in _bare(self.hint)[1] if isinstance(mark, msgspec.Meta)):
            hint = Annotated[hint, limit]
        return hint

    def of_json(self, value: Any, why: Mapping[str, Why]) -> Any:
        return tuple(_read(self.inner, item, {}, "") for item in value)


class _MapPart(_Part):
    """Parts by name."""

    __slots__ = ()

    def write(self, value: Mapping[str, Row], out: dict[str, Any], why: dict[str, Why]) -> None:
        out[self.key] = {key: _write(row)[0] for key, row in value.items()}

    def json_type(self) -> Any:
        return dict[str, json_type(self.inner)]  # type: ignore[misc]

    def of_json(self, value: Any, why: Mapping[str, Why]) -> Any:
        return {key: _read(self.inner, item, {}, "") for key, item in value.items()}


class _ReasonPart(_Part):
    """A reason: it has no key, but stands in `why` for those that it explains; a count that is explained is null."""

    __slots__ = ()

    def write(self, value: Why, out: dict[str, Any], why: dict[str, Why]) -> None:
        for key in self.inner.keys:
            why[key] = value
            if type(out.get(key)) is int:
                out[key] = None

    def json_fields(self) -> Iterator[tuple[str, Any]]:
        yield from ()

    def read(self, raw: Any, why: Mapping[str, Why]) -> Why | None:
        return next((why[key] for key in self.inner.keys if key in why), None)


def _part(cls: type, name: str, hint: Any) -> _Part | None:
    """The part that a field makes by its annotation; None for a hidden one."""
    bare, said = _bare(hint)
    if _HIDDEN in said:
        return None
    inner, said_inside = _bare(_without_none(bare))
    marks = {type(mark): mark for mark in (*said, *said_inside)}
    kind, of = _kind(inner, marks)
    if kind in (_FigurePart, _FiguresPart) and of is None:
        raise TypeError(f"{cls.__name__}.{name}: a figure needs its declaration, Annotated[Figure, Shown(…)]")
    key = marks[Key].name if Key in marks else name
    return kind(name, key, hint, of, _SOMETIMES in said)


def _kind(inner: Any, marks: Mapping[type, Any]) -> tuple[type[_Part], Any]:
    """What kind of part a type without marks makes, and what it is made of."""
    args = get_args(inner)
    if inner is Why:
        return _ReasonPart, marks[Explains]
    if inner is Figure:
        return _FigurePart, marks.get(Shown)
    if args and args[-1] is Figure:
        return _FiguresPart, marks.get(Shown)
    if Digits in marks:
        return _NumberPart, marks[Digits]
    holding: list[tuple[type[_Part], Any]] = [(_RowPart, inner)]
    if len(args) == 2:
        holding.append((_RowsPart, args[0]) if args[1] is ... else (_MapPart, args[1]))
    for kind, of in holding:
        row = _bare(of)[0]
        if isinstance(row, type) and issubclass(row, Row):
            return kind, row
    return _Part, None


def _plain(value: Any) -> Any:
    if isinstance(value, str | int | float):  # most of all
        return value
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    return value


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _write(row: Row) -> tuple[dict[str, Any], dict[str, Why]]:
    """The JSON of a part; and the reasons that it has no `why` of its own for."""
    out, why = _keys(row)
    if not row.explained:
        return out, why
    out["why"] = {key: {"code": reason.code, "text": reason.text} for key, reason in why.items()}
    return out, {}


def _keys(row: Row) -> tuple[dict[str, Any], dict[str, Why]]:
    """The keys of a part, and the reasons for those that are null."""
    out: dict[str, Any] = {}
    why: dict[str, Why] = {}
    for part, is_reason in _in_order(type(row)):
        value = getattr(row, part.name)
        if value is not None:
            part.write(value, out, why)
        elif not part.optional and not is_reason:
            out[part.key] = None
    return out, why


def _in_order(cls: type[Any]) -> tuple[tuple[_Part, bool], ...]:
    """The parts in the order in which they are written: reasons last; and which are reasons."""
    if cls not in _ORDER:
        told = [(part, isinstance(part, _ReasonPart)) for part in _parts(cls)]
        _ORDER[cls] = tuple(sorted(told, key=lambda each: each[1]))
    return _ORDER[cls]


# --- the JSON's own types: for its schema, and for reading ------------------------------------------------------------


def json_type(cls: type[Any]) -> type[msgspec.Struct]:
    """The type of a part's JSON: no other keys than its own."""
    if cls not in _TYPES:
        _TYPES[cls] = _made_type(cls)
    return _TYPES[cls]


def _made_type(cls: type[Any]) -> type[msgspec.Struct]:
    found: dict[str, tuple[Any, bool]] = {}
    for part in _parts(cls):
        found.update({key: (hint, part.optional) for key, hint in part.json_fields()})
    if cls.explained:
        found["why"] = (dict[str, Why], False)
    needed = [(_attr(key), hint) for key, (hint, optional) in found.items() if not optional]
    spare: list[Any] = [
        (_attr(key), hint | msgspec.UnsetType, msgspec.UNSET) for key, (hint, optional) in found.items() if optional
    ]
    return msgspec.defstruct(
        cls.__name__,
        [*needed, *spare],
        rename={_attr(key): key for key in found},
        forbid_unknown_fields=True,
        kw_only=True,
        frozen=True,
        gc=False,
    )


def _attr(key: str) -> str:
    return f"{key}_" if iskeyword(key) else key


@cache
def _object(name: str, keys: tuple[tuple[str, Any], ...]) -> type[msgspec.Struct]:
    return msgspec.defstruct(name.title(), list(keys), forbid_unknown_fields=True, kw_only=True, frozen=True)


C = TypeVar("C", bound=Row)


def read(cls: type[C], data: Any) -> C:
    """A part from its JSON (plain data). `msgspec.ValidationError` for anything else.

    What is hidden is at its default.
    """
    return _read(cls, msgspec.convert(data, json_type(cls)), {}, "")


def _read(cls: type[C], raw: Any, around: Mapping[str, Why], prefix: str) -> C:
    why: Mapping[str, Why] = (
        raw.why
        if cls.explained
        else {key.removeprefix(prefix): reason for key, reason in around.items() if prefix and key.startswith(prefix)}
    )
    return cls(**{part.name: part.read(raw, why) for part in _parts(cls)})


# --- the list of measures -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Measure:
    """A declared figure of the card: the section it stands in, its field there, and its declaration."""

    section: str
    name: str
    shown: Shown

    @property
    def path(self) -> str:
        """Where it stands in the JSON: "timing.mean_ms"."""
        return f"{self.section}.{self.shown.key}"

    def of(self, card: Any) -> Figure:
        """The figure of a card, in the unit of its key."""
        figure: Figure = getattr(getattr(card, self.section), self.name)
        return self.shown.shown(figure)

    def words(self, card: Any) -> str:
        """The figure with its unit, interval and n, or why there is none."""
        figure, digits = self.of(card), self.shown.shown_digits
        if not figure.known:
            return "no figure" if figure.why is None else figure.why.text
        ends = "" if figure.interval is None else f" ({figure.low:.{digits}f}…{figure.high:.{digits}f})"
        return f"{figure.value:.{digits}f} {self.shown.unit}".rstrip() + f"{ends}, n {figure.n}"

    def value(self, card: Any) -> float | None:
        """The figure as the card's JSON has it."""
        return number(self.of(card).value, self.shown.digits)


def measures_of(card: type[Row]) -> tuple[Measure, ...]:
    """Every figure that a section of the card declares, in the order of the card."""
    out: list[Measure] = []
    for part in _parts(card):
        if not isinstance(part, _RowPart) or not part.inner.explained:
            continue
        out += [Measure(part.name, own.name, own.inner) for own in _parts(part.inner) if isinstance(own, _FigurePart)]
        for base in reversed(part.inner.__mro__):
            out += [Measure(part.name, n, v.shown) for n, v in vars(base).items() if isinstance(v, _Measured)]
    return tuple(out)


def computed(section: type[Row], *given: Any) -> dict[str, Any]:
    """The figures of a section whose declaration says which function gives them (`Shown.of`), by field."""
    return {name: of(*given) for name, of in _computed(section)}


def not_computed(section: type[Row], why: Why) -> dict[str, Any]:
    """The same where there is nothing to give them of: each absent, and why."""
    return {name: Figure(why=why) for name, _ in _computed(section)}


def _computed(section: type[Row]) -> Iterator[tuple[str, Callable[..., Figure]]]:
    for part in _parts(section):
        if isinstance(part, _FigurePart) and part.inner.of is not None:
            yield part.name, part.inner.of

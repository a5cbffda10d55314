"""Cards of all kinds against the published JSON Schema (`jsonschema` judges), and no null without its reason."""

from __future__ import annotations

import copy
import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Annotated, Any

import jsonschema
import pytest

from tests.take.test_store import SESSION, made_take
from trainer.cli.speaking import card_text
from trainer.clock import TempoMap
from trainer.line import Feel, Slip, StandIn, model_line
from trainer.report import report_page
from trainer.resources import shared_dir
from trainer.scoring import score
from trainer.scoring.card import MEASURES, Card, json_schema
from trainer.scoring.figure import Figure, Measure, Section, Shown, read
from trainer.scoring.landing import Landing
from trainer.scoring.shape import Shape
from trainer.scoring.text import summary
from trainer.session import BarSpan, ChorusPlan, Session, default_session, expand
from trainer.take import Calibration, Take, TakeHeader, empty_notes, notes_from_rows

SCHEMA_FILE = shared_dir() / "schema/scorecard.schema.json"
SECTIONS = ("timing", "swing", "landing", "form", "shape", "devices", "verdict")


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def takes() -> dict[str, Take]:
    whole = made_take()
    no_band = replace(whole, band=empty_notes())
    return {
        "whole": whole,
        "calibrated": made_take(calibration=Calibration(12.0, 2.0, (11.0, 13.0), (1.9, 2.1), n=60), profile="strings"),
        "typed": made_take(profile="typing"),
        "minor": made_take(
            replace(default_session(), key=replace(default_session().key, tonic="A", tonic_pc=9, minor=True))
        ),
        "no band": no_band,
        "no session": replace(no_band, session=None, header=TakeHeader(foreign=True, profile="foreign")),
        "empty": replace(whole, notes=empty_notes()),
        "empty, no session": replace(whole, notes=empty_notes(), session=None),
        "three notes": replace(whole, notes=whole.notes[:3]),
        "one chorus": made_take(Session(count_in_bars=0)),
        "a skipped bar": played(Feel(slips=(Slip(2, 5, 3, 1, 4.0),)), "boogie_figure"),
        "a drop-out": played(Feel(drop_out_tempo_pct=3.0), "root_shuffle", drop_outs=(BarSpan(2, 5, 8),)),
        "a walk": played(Feel(missed_frac=0.4), "walking_line"),
        "approaches": played(Feel(), "chromatic_approach"),
    }


def played(feel: Feel, device: str, **plan: Any) -> Take:
    """A stand-in's take of a line with one device, over two verses and two solos."""
    plans = (ChorusPlan("verse", 2, (0.5, 0.5)), ChorusPlan("solo", 2, (0.7, 0.9)))
    chart = expand(Session(choruses=plans, **plan))
    notes = StandIn(feel, seed=4).play(model_line(chart, device=device, seed=4)).notes
    return Take(notes, TempoMap(chart.tempo_segments), chart.session)


@pytest.fixture(scope="module")
def cards() -> dict[str, dict[str, Any]]:
    return {
        f"{name}, {'full' if full else 'plain'}": json.loads(
            json.dumps(score(take, full=full).to_dict(), allow_nan=False)
        )
        for name, take in takes().items()
        for full in (False, True)
    }


def test_every_card_keeps_the_schema(cards: dict[str, Any], validator: jsonschema.Draft202012Validator) -> None:
    for name, card in cards.items():
        problems = [f"{name}: {e.json_path}: {e.message[:200]}" for e in validator.iter_errors(card)]
        assert problems == []
        assert validator.is_valid({"file": "a.mid", **card})


def test_the_schema_is_made_from_the_declarations() -> None:
    """After a change: TRAINER_WRITE_SCHEMA=1 python -m pytest tests/scoring/test_card_schema.py"""
    if os.environ.get("TRAINER_WRITE_SCHEMA") == "1":
        SCHEMA_FILE.write_text(json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json.loads(json.dumps(json_schema()))


def test_a_key_that_nothing_declares_is_refused(
    cards: dict[str, Any], validator: jsonschema.Draft202012Validator
) -> None:
    card = cards["whole, plain"]
    assert validator.is_valid(card)
    for section in (*SECTIONS, "take"):
        assert not validator.is_valid({**card, section: {**card[section], "flair": 1.0}})
    assert not validator.is_valid({**card, "flair": {}})


def test_a_figure_without_a_declaration_is_refused() -> None:
    @dataclass(frozen=True)
    class Bare(Section):
        flair: Figure

    with pytest.raises(TypeError, match="a figure needs its declaration"):
        Bare(Figure(1.0)).to_dict()


def test_every_measure_has_a_title_and_a_name_of_its_own() -> None:
    paths = [measure.path for measure in MEASURES]
    assert len(set(paths)) == len(paths) and all(measure.shown.title for measure in MEASURES)
    names = [name for measure in MEASURES for name in measure.shown.columns]
    followed = [measure.shown.followed for measure in MEASURES if measure.shown.followed]
    assert len(set(names)) == len(names) and len(set(followed)) == len(followed)
    rooms = [measure.shown.of.__module__.rpartition(".")[2] for measure in MEASURES if measure.shown.of is not None]
    assert [room for room in rooms if not (Path(__file__).parent / f"test_{room}.py").exists()] == [], "has no test"


def test_a_card_read_back_from_its_json_is_the_same(cards: dict[str, Any]) -> None:
    for name, card in cards.items():
        assert json.loads(json.dumps(read(Card, card).to_dict())) == card, name


def test_what_a_page_writes_is_what_the_json_holds(cards: dict[str, Any]) -> None:
    for name, data in cards.items():
        card = read(Card, data)
        for measure in MEASURES:
            section, shown, part = data[measure.section], measure.shown, getattr(card, measure.section)
            if shown.key in section and measure.name in {field.name for field in fields(part)}:
                figure = part.written(measure.name)
                assert (figure.value if figure.known else None) == section[shown.key], (name, measure.path)
                assert (list(figure.interval) if figure.interval else None) == section.get(shown.ci), measure.path


def nulls(section: dict[str, Any]) -> Iterator[str]:
    yield from (name for name, value in section.items() if value is None)


def test_no_null_without_its_reason(cards: dict[str, Any]) -> None:
    """An absent figure is null and named in that section's `why`."""
    for name, card in cards.items():
        for section in SECTIONS:
            unexplained = set(nulls(card[section])) - set(card[section]["why"])
            assert not unexplained, f"{name}: {section}: {sorted(unexplained)} null without a reason"


def broken(card: dict[str, Any], *path: Any, to: Any) -> dict[str, Any]:
    card = copy.deepcopy(card)
    inner: Any = card
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = to
    return card


@pytest.mark.parametrize(
    ("path", "to"),
    [
        (("timing", "mean_ms"), "6.1"),
        (("timing", "mean_ci95_ms"), [1.0]),
        (("timing", "sd_ms"), -1.0),
        (("timing", "drop_outs", 0, "bars"), [9]),
        (("timing", "why"), {"mean_ms": "too few"}),
        (("swing", "ratio"), -2.0),
        (("swing", "offbeat_pct"), 166.0),
        (("landing", "items", 0, "outcome"), "missed"),
        (("landing", "items", 0, "root_pc"), 12),
        (("landing", "root_rate"), 1.2),
        (("form",), None),
        (("schema", "major"), 2),
        (("take_sha256",), "none"),
        (("take", "profile"), "guess"),
        (("take", "cleaned"), {}),
        (("verdict", "advice"), [{}, {}, {}, {}]),
        (("verdict", "advice"), [{"about": "feel", "text": "Put it there.", "evidence": "", "drill": "roots"}]),
        (("verdict", "lines", 0, "met"), "yes"),
        (("verdict", "lines", 1, "name"), "tempo"),
    ],
)
def test_the_schema_refuses_what_is_wrong(
    cards: dict[str, Any], validator: jsonschema.Draft202012Validator, path: tuple[Any, ...], to: Any
) -> None:
    assert not validator.is_valid(broken(cards["whole, plain"], *path, to=to))


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_is_asked_for(
    cards: dict[str, Any], validator: jsonschema.Draft202012Validator, section: str
) -> None:
    card = {key: value for key, value in cards["whole, plain"].items() if key != section}
    assert not validator.is_valid(card)
    keys = cards["whole, plain"][section]
    without_why = {**card, section: {key: value for key, value in keys.items() if key != "why"}}
    assert not validator.is_valid(without_why)


def test_session_title_is_not_in_the_card(cards: dict[str, Any]) -> None:
    """A card can be sent to a teacher: it holds figures, no names of files or sessions."""
    assert SESSION.title not in json.dumps(cards["whole, full"], ensure_ascii=False)


ONE_OF_MANY = re.compile(r"\b1 (?:\w+ )?(?:notes|pairs|bars|changes|beats|choruses|semitones|intervals|triplets)\b")


def words_of(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from words_of(item)


def test_one_is_one_in_every_sentence() -> None:
    """Takes of one note, one pair, one change, one chorus: no sentence speaks of "1 notes"."""
    small = expand(Session(count_in_bars=0, form="chart", chart=("G7", "C7"), choruses=(ChorusPlan("verse"),)))
    tempo = TempoMap(small.tempo_segments)
    for chart in (small, expand(Session(count_in_bars=0, choruses=(ChorusPlan("verse"), ChorusPlan("solo"))))):
        rows = [(0.0, 0.3, 31, 90), (0.42, 0.1, 31, 90), (0.63, 0.3, 31, 90), (2.5, 0.3, 30, 90), (3.1, 0.2, 38, 80)]
        rows += [(3.75 + 0.3 * k, 0.2, 36 + k % 5, 90) for k in range(8)]
        for header in (TakeHeader(), TakeHeader(foreign=True, profile="foreign")):
            for n in range(len(rows) + 1):
                card = score(Take(notes_from_rows(rows[:n]), tempo, chart.session, header=header), full=True)
                said = [*words_of(card.to_dict()), card_text(card, full=True)]
                assert [text for text in said if ONE_OF_MANY.search(text)] == []


def test_a_measure_in_a_module_of_its_own_follows_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """Declared once: `--full` and the report show it with its title, unit, interval and n, or say why it is absent."""
    take = made_take()
    card = score(take)
    flair = Measure(
        "timing",
        "mean_s",
        Shown(
            "mean_ms", 2, ci="mean_ci95_ms", n="n", scale=1000.0, title="flair", unit="ms", of=lambda reading: Figure(),
            meaning="How much of it there was.",
        ),
    )  # fmt: skip
    for room in ("trainer.scoring.text", "trainer.report.page"):
        monkeypatch.setattr(f"{room}.MEASURES", (flair,))
    mean = card.timing.mean_s.scaled(1000.0)
    said = f"Flair: {mean.value:.1f} ms ({mean.low:.1f}…{mean.high:.1f}), n {mean.n}"
    assert said in summary(card, full=True).splitlines()
    page = report_page(take, card)
    assert "More figures" in page and "flair" in page and "How much of it there was." in page
    nothing = score(replace(take, notes=take.notes[:0]))
    assert "Flair: no notes" in summary(nothing, full=True).splitlines()


_FLAIR = Shown("flair", 1, title="flair", of=lambda reading: Figure(1.0, n=3))


def test_a_measure_in_a_module_of_its_own_is_absent_where_its_section_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Declared by one line in a section that needs a session: without one it is null, and the reason stands there."""

    @dataclass(frozen=True, kw_only=True)
    class Shapely(Shape):
        flair: Annotated[Figure, _FLAIR]

    @dataclass(frozen=True, kw_only=True)
    class Landed(Landing):
        flair: Annotated[Figure, _FLAIR]

    for name, section in (("shape.Shape", Shapely), ("assembling.Shape", Shapely), ("landing.Landing", Landed)):
        monkeypatch.setattr(f"trainer.scoring.{name}", section)
    whole = made_take()
    for card in (
        score(whole),
        score(replace(whole, band=empty_notes(), session=None, header=TakeHeader(foreign=True))),
    ):
        for said in (card.shape.to_dict(), card.landing.to_dict()):
            assert said["flair"] == (1.0 if card.session else None)
            assert ("flair" in said["why"]) is (card.session is None)

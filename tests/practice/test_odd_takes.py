"""Files with the right keys and the wrong things in them: one line each, and never the end of a folder."""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.practice.test_history import drilled, played
from trainer.errors import SessionError, TrainerError
from trainer.live.calibration import calibration_key, kept_calibration
from trainer.practice.history import History
from trainer.practice.worksheet import TEMPLATE, parse_worksheet
from trainer.session import parse_session, session_from_dict
from trainer.settings import PortSettings, config_dir, load_port, save_port
from trainer.take import write_take

HUGE = 10**400
ODD: list[Any] = [None, True, 5, -1, HUGE, 1e300, "", "x", "\x1b[31m", ["x"], {}, {"x": 1}, [[[]]]]


def places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in plain data, the whole left out."""
    rows = data.items() if isinstance(data, dict) else enumerate(data[:2]) if isinstance(data, list) else ()
    for key, value in rows:
        yield (*path, key)
        yield from places(value, (*path, key))


def with_other(data: Any, path: tuple[Any, ...], value: Any) -> Any:
    out = copy.deepcopy(data)
    inner = out
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return out


@pytest.mark.parametrize("number", ["9" * 400, "9" * 5_000, "0x" + "f" * 5_000, "-" + "9" * 400])
@pytest.mark.parametrize("key", ["tempo_bpm", "seed", "title", "other", "loop"])
def test_a_number_of_hundreds_of_digits_is_one_line(number: str, key: str) -> None:
    for read in (parse_session, parse_worksheet):
        with pytest.raises(SessionError) as caught:
            read(f"{key} = {number}")
        assert "\n" not in str(caught.value) and len(str(caught.value)) < 400


@pytest.mark.parametrize("value", ODD, ids=lambda value: repr(value)[:12])
def test_any_value_anywhere_in_a_session_or_worksheet_is_read_or_refused(value: Any) -> None:
    import tomllib

    session = played(1).session
    assert session is not None
    for path in places(session.to_dict()):
        try:
            session_from_dict(with_other(session.to_dict(), path, value))
        except SessionError as error:
            assert all("\n" not in line for line in error.problems)
    sheet = tomllib.loads(TEMPLATE)
    for path in places(sheet):
        text = as_toml(with_other(sheet, path, value))
        try:
            parse_worksheet(text)
        except SessionError as error:
            assert all("\n" not in line for line in error.problems)


def as_toml(data: dict[str, Any]) -> str:
    """Plain data as TOML, all inline."""

    def inline(value: Any) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{json.dumps(k)} = {inline(v)}" for k, v in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ", ".join(map(inline, value)) + "]"
        return '""' if value is None else json.dumps(value)

    return "\n".join(f"{json.dumps(key)} = {inline(value)}" for key, value in data.items())


@pytest.mark.parametrize("value", [*ODD, float("nan"), float("inf")], ids=lambda value: repr(value)[:12])
def test_any_value_in_what_is_remembered_of_a_port_is_read_or_refused(
    value: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRAINER_CONFIG_DIR", str(tmp_path))
    key = calibration_key("out", False)
    kept = {"base_ms": 1.0, "periods": 0.5, "base_ci95_ms": [0.5, 1.5], "n": 20, "made": "2026", "ports": ["a", "b"]}
    file = save_port(PortSettings("port", calibrations={key: kept}))
    whole = json.loads(file.read_text())
    assert config_dir() == tmp_path
    for path in places(whole):
        file.write_text(json.dumps(with_other(whole, path, value)))
        try:
            known = load_port("port")
            found = None if known is None else kept_calibration(known, "out", False)
        except TrainerError as error:
            assert "\n" not in str(error)
        else:
            assert found is None or abs(found.base_ms) <= 10_000.0


def test_an_odd_take_is_a_line_of_the_history_and_never_its_end(tmp_path: Path) -> None:
    write_take(drilled(1, 0.0), tmp_path, "good")
    study = {"file": 5, "phrase": 5, "notes": [[0, 0, 0, 0, 1, 1]], "made_of": {"name": 5}, "key": 5}
    odd: list[dict[str, Any]] = [
        {"drill": {"name": "roots", "key": "A", "tempo_bpm": 88.0, name: value}}
        for name in ("name", "key", "tempo_bpm", "seed", "groove", "form", "bar", "octave", "position", "short")
        for value in (5, HUGE, "x", ["x"], {"x": 1}, 1e300)
    ]
    odd += [{"study": 5}, {"study": study}, {"study": study | {"notes": 5}}, {"study": {"file": [5]}}]
    odd += [{key: value} for key in ("intensities", "remarks", "midi", "stage") for value in ("x", 5, ["x"], {"x": 5})]
    body = json.loads((tmp_path / "good.json").read_text())
    midi = tmp_path / "good.mid"
    for i, extra in enumerate(odd):
        (tmp_path / f"odd-{i:03d}.mid").write_bytes(midi.read_bytes())
        (tmp_path / f"odd-{i:03d}.json").write_text(json.dumps(body | {"extra": extra}))
    with History(tmp_path) as book:
        book.refresh()
        rows = {row.path.name: row for row in book.takes()}
        assert len(rows) == len(odd) + 1
        assert rows["good.mid"].passed and rows["good.mid"].error is None
        assert all("\n" not in row.error for row in rows.values() if row.error)
        assert any(row.error and "intensities" in row.error for row in rows.values())
        assert book.drill_runs()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes of that kind on this system")
def test_links_in_a_circle_pipes_and_devices_are_left_out_with_a_word(tmp_path: Path) -> None:
    write_take(played(1), tmp_path, "good")
    (tmp_path / "a.mid").symlink_to(tmp_path / "b.mid")
    (tmp_path / "b.mid").symlink_to(tmp_path / "a.mid")
    os.mkfifo(tmp_path / "pipe.mid")
    (tmp_path / "null.mid").symlink_to("/dev/zero")
    write_take(played(2), tmp_path, "beside")
    (tmp_path / "beside.json").unlink()
    os.mkfifo(tmp_path / "beside.json")
    with History(tmp_path) as book:
        book.refresh()
        rows = {row.path.name: row.error for row in book.takes()}
    assert rows.keys() >= {"good.mid", "a.mid", "b.mid", "pipe.mid", "null.mid", "beside.mid"}
    assert rows["good.mid"] is None
    assert all(rows[name] for name in ("a.mid", "b.mid", "pipe.mid", "null.mid"))
    assert "not a regular file" in str(rows["pipe.mid"]) and "not a regular file" in str(rows["null.mid"])

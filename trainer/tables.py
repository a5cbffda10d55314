"""TOML files that people write (sessions, worksheets): read within bounds, every mistake told in a line of its own."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trainer import limits
from trainer.errors import SessionError, did_you_mean
from trainer.opened import bytes_of

__all__ = ["Checker", "is_number", "read_text_file", "read_toml"]

MAX_BYTES = 1_000_000
MAX_KEY_PARTS = 32  # our choice; a key of tens of thousands would take gigabytes
_LONG_KEY = re.compile(
    rf"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MAX_KEY_PARTS}}}""", re.ASCII
)


def read_toml(text: str, source: str) -> dict[str, Any]:
    """TOML text as plain data; `SessionError` names the line where it is none, or what is out of all proportion."""
    if len(text) > MAX_BYTES:
        raise SessionError(source, ["more than 1 MB; expected a file of a few lines"])
    if _LONG_KEY.search(text):
        raise SessionError(source, [f"not valid TOML: a key of more than {MAX_KEY_PARTS} parts"])
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise SessionError(source, ["not valid TOML: nested too deeply"]) from None
    except ValueError as error:  # broken TOML, or a number of more digits than any has
        words = " ".join(str(error).split())[:200]
        if words.startswith("Illegal character '\\n'"):
            words = f"a quote is missing at a line's end {words.partition(' (')[2].join('()').replace('))', ')')}"
        raise SessionError(source, [f"not valid TOML: {words}"]) from None
    if limits.has_far_number(data):
        raise SessionError(source, ["not valid TOML: a whole number of more than 64 bits"])
    return data


def read_text_file(file: Path, kind: str, expected: str) -> str:
    """The text of a regular UTF-8 file of at most a megabyte; nothing that waits (a pipe, a device) is read.

    `UsageError` if it is not there, `FileFormatError` or `SessionError` if it is no such `kind` of file.
    """
    raw = bytes_of(file, MAX_BYTES, expected, kind)
    if raw[:4] == b"MThd":
        raise SessionError(str(file), [f"a MIDI file, not a {kind}; its figures: trainer score {file}"])
    try:
        return raw.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as error:
        raise SessionError(str(file), [f"not UTF-8 text (byte {error.start}); save the file as UTF-8"]) from None


class Checker:
    """Collects mistakes while values are read; every reader returns a usable value so that all are found at once."""

    def __init__(self) -> None:
        self.problems: list[str] = []

    def wrong(self, path: str, found: Any, allowed: str, hint: str = "") -> None:
        self.problems.append(f"{path}: found {shown(found)}; allowed: {allowed}{hint}")

    def unknown_keys(self, table: Mapping[str, Any], allowed: Sequence[str], where: str) -> None:
        for name in table:
            if name not in allowed:
                hint = did_you_mean(str(name), allowed)
                self.problems.append(f"{where}{name}: not a known key; allowed: {', '.join(allowed)}{hint}")

    def text(self, table: Mapping[str, Any], name: str, default: str, where: str = "", *, least: int = 1) -> str:
        value = table.get(name, default)
        if not isinstance(value, str) or not least <= len(value) <= 200 or (least and not value.strip()):
            self.wrong(
                where + name, value, f"a text of {least} to 200 characters" if least else "at most 200 characters"
            )
            return default
        return value

    def choice(
        self,
        table: Mapping[str, Any],
        name: str,
        allowed: Sequence[str],
        default: Any,
        where: str = "",
        listed: str = "",
    ) -> Any:
        """One of the names allowed; `listed` says where they stand if they are too many for a line."""
        if name not in table:
            return default
        value = table[name]
        if not isinstance(value, str) or value not in allowed:
            self.wrong(where + name, value, listed or ", ".join(allowed), did_you_mean(str(value), allowed))
            return default
        return value

    def number(
        self,
        table: Mapping[str, Any],
        name: str,
        low: float,
        high: float,
        default: float,
        unit: str,
        where: str = "",
    ) -> float:
        value = table.get(name, default)
        if not is_number(value) or not low <= value <= high:
            self.wrong(where + name, value, f"a number from {low:g} to {high:g}{unit}")
            return default
        return float(value)

    def whole(
        self,
        table: Mapping[str, Any],
        name: str,
        low: int,
        high: int,
        default: int,
        unit: str = "",
        where: str = "",
    ) -> int:
        value = table.get(name, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            self.wrong(where + name, value, f"a whole number from {low} to {high}{unit}")
            return default
        return value

    def flag(self, table: Mapping[str, Any], name: str, default: bool, where: str = "") -> bool:
        value = table.get(name, default)
        if not isinstance(value, bool):
            self.wrong(where + name, value, "true or false")
            return default
        return value

    def tables(self, data: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
        value = data.get(name, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.wrong(name, value, f"tables written as [[{name}]]")
            return []
        return value

    def bar_pair(self, value: Any, path: str, n_bars: int) -> tuple[int, int] | None:
        whole = isinstance(value, list) and all(isinstance(v, int) and not isinstance(v, bool) for v in value)
        if whole and len(value) == 2 and 1 <= value[0] <= value[1] <= n_bars:
            return value[0], value[1]
        self.wrong(path, value, f"the first and last bar, [first, last], from 1 to {n_bars}")
        return None


def is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -math.inf < value < math.inf


def shown(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    text = text.replace("\n", "\\n")
    return text if len(text) <= 60 else text[:57] + "…"

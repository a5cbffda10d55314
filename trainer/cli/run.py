"""`main()`: run a command and turn whatever comes out into one clear line and the right exit status."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Sequence

from trainer.errors import TrainerError
from trainer.system import here

__all__ = ["main", "run"]

# A list with the name of one of its things behind it: what shows or plays that one.
MEANT_ONE = {
    "trainer sessions": "One is shown by: trainer chart NAME; played by: trainer play NAME",
    "trainer drills": "One is played by: trainer drill NAME; shown by: trainer drill NAME --stand-in",
    "trainer grooves": "One is played by: trainer play --groove NAME",
    "trainer forms": "One is shown by: trainer chart --form NAME; played by: trainer play --form NAME",
}
INTERRUPTED = 130  # 128 + SIGINT, as shells report it


def main(argv: Sequence[str] | None = None) -> None:
    """The entry point of the `trainer` command: never returns."""
    sys.exit(run(sys.argv[1:] if argv is None else argv))


# For an output whose encoding has no such sign (a file or a pipe on Windows, as a rule).
_PLAIN = str.maketrans({"→": "->", "…": "...", "–": "-", "—": "-", "−": "-", "±": "+/-", "·": ".", "♭": "b", "♯": "#"})


def _plainer(error: UnicodeError) -> tuple[str, int]:
    """What stands for signs that an encoding lacks."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(_PLAIN)
    return "".join(letter if letter.isascii() else "?" for letter in text), error.end


def _write_anywhere() -> None:
    """Let no sign that the output's encoding lacks end a command; UTF-8 lacks the odd bytes of some file names."""
    import codecs

    codecs.register_error("trainer-plain", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper):
            continue
        if here().redirected_encoding is not None and not stream.isatty():
            stream.reconfigure(encoding=here().redirected_encoding)
        if stream.errors == "strict" or not stream.encoding.lower().replace("-", "").startswith("utf"):
            stream.reconfigure(errors="trainer-plain")


def _have_streams() -> None:
    """Something in the place of each standard stream that was closed before we began: the system would give its number
    to the next file opened.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115  (for the program's whole life)


def run(arguments: Sequence[str]) -> int:
    """Run one command; its exit status."""
    _have_streams()
    _write_anywhere()
    from trainer.cli.speaking import say

    status, words = _outcome(arguments)
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is sys.stderr:
                for line in words:
                    say(f"trainer: {line}", err=True)
            stream.flush()
        except (OSError, ValueError):
            # Nobody can be told. Python would complain again when it closes the stream.
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    return status


def _outcome(arguments: Sequence[str]) -> tuple[int, list[str]]:
    """Run one command: its exit status, and what is to be said of it, a line each."""
    from trainer.cli.commands import app

    try:
        result = app(list(arguments), prog_name="trainer", standalone_mode=False)
        sys.stdout.flush()
    except TrainerError as error:
        return 2, str(error).splitlines()
    except KeyboardInterrupt:
        return INTERRUPTED, ["interrupted"]
    except SystemExit as error:
        if isinstance(error.__context__, OSError):  # the option parser's own answer to a reader who has seen enough
            return _of_output(error.__context__)
        return (error.code if isinstance(error.code, int) else 0 if error.code is None else 1), []
    except OSError as error:
        return _of_output(error)
    except Exception as error:
        return _usage_or_fault(error)
    return (result if isinstance(result, int) else 0), []


def _of_output(error: OSError) -> tuple[int, list[str]]:
    """A write to standard output that failed: whoever read it has seen enough, or there is no room for more."""
    if here().is_broken_pipe(error):
        return 0, []
    if error.filename is None and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG):
        return 2, [f"cannot write the output: {error.strerror}; make room, or send it elsewhere"]
    return _fault(error)


def _usage_or_fault(error: Exception) -> tuple[int, list[str]]:
    # The option parser's exceptions live in `click` or inside `typer`, by version; both have these two.
    status, words = getattr(error, "exit_code", None), getattr(error, "format_message", None)
    if type(error).__name__ == "Abort":
        return INTERRUPTED, ["interrupted"]
    if isinstance(status, int) and callable(words):
        said = str(words()).rstrip()
        command = _command_path(error)
        if command in MEANT_ONE and "extra argument" in said:
            return 2, [f"{command} lists them all. {MEANT_ONE[command]}"]
        stop = "" if said.endswith((".", "?", "!")) else "."
        return 2, [f"{said}{stop} See: {command} --help"]
    return _fault(error)


def _command_path(error: Exception) -> str:
    context = getattr(error, "ctx", None)
    return str(getattr(context, "command_path", "trainer"))


def _fault(error: Exception) -> tuple[int, list[str]]:
    """One line for the person, everything else in a file."""
    import datetime
    import platform
    import traceback

    from trainer import __version__
    from trainer.settings import log_dir

    what = f"{type(error).__name__}: {error}".splitlines()[0]
    now = datetime.datetime.now(datetime.UTC)
    text = f"{__version__} on Python {platform.python_version()}, {platform.platform()}\n{traceback.format_exc()}"
    try:
        log_dir().mkdir(parents=True, exist_ok=True)
        path = log_dir() / f"fault-{now:%Y%m%d-%H%M%S-%f}.txt"
        path.write_text(text, encoding="utf-8")
        where = f"details in {path}"
    except OSError as problem:
        where = f"details could not be kept: {problem.strerror or problem}"
    return 1, [f"a fault of the program ({what}); {where}"]

"""The list of commands. Their bodies live in the modules of this folder and are imported when they run."""

from __future__ import annotations

from typing import Annotated

import typer

from trainer.cli import calibrating, checking, exporting, facts, making, playing, practising, reporting, scoring

__all__ = ["app"]

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=False,
    help="A band to practise blues bass with, and a check of your time, swing and changes, bar by bar.",
)


@app.callback(invoke_without_command=True)
def start(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Show the version and leave.", is_eager=True)] = False,
) -> None:
    if version:
        from trainer import __version__

        typer.echo(__version__)
        raise typer.Exit()
    if context.invoked_subcommand is None:
        from trainer.cli.home import home_lines

        for line in home_lines():
            typer.echo(line)


for _module in (playing, practising, scoring, reporting, exporting, making, facts, checking, calibrating):
    _module.add_to(app)

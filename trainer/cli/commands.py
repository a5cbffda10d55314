"""The list of commands. Their bodies live in the modules of this folder and are imported when they run."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from typer.core import TyperArgument, TyperCommand

from trainer.cli import (
    cable,
    calibrating,
    checking,
    exporting,
    facts,
    hearing,
    making,
    pedals,
    playing,
    practising,
    reporting,
    scoring,
    teaching,
)
from trainer.cli.speaking import echo

__all__ = ["app"]


class _Command(TyperCommand):
    """A command whose help names its arguments without the types that only a programmer reads."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        for parameter in self.params:
            if isinstance(parameter, TyperArgument) and hasattr(parameter, "display_type_rich"):
                vars(parameter)["display_type_rich"] = lambda ctx: ""
        super().format_options(ctx, formatter)


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

        echo(__version__)
        raise typer.Exit()
    if context.invoked_subcommand is None:
        from trainer.cli.home import home_lines

        for line in home_lines():
            echo(line)


for _module in (
    playing,
    practising,
    teaching,
    scoring,
    hearing,
    reporting,
    exporting,
    making,
    facts,
    checking,
    calibrating,
    pedals,
    cable,
):
    _module.add_to(app)
for _commands in (app, teaching.worksheets):
    for _info in _commands.registered_commands:
        _info.cls = _Command

"""The application: commands register with it."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.console import OUT, Guarded
from trialkit.version import __version__

app = typer.Typer(
    cls=Guarded,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Plan, check, analyse and report on-farm strip trials of corn-header setups.",
)


def _version(wanted: bool) -> None:
    if wanted:
        OUT.print(f"trialkit {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass

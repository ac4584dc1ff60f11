"""The command that gathers trials into a store, and the option that names a cluster."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain

Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS|local",
        help="Who works: a Dask scheduler, as in tcp://10.0.0.5:8786, or workers started here. "
        "Needs what pip installs with trialkit's extra, cluster.",
    ),
]


@app.command()
def gather(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER...", help="Folders of trials, at any depth.")
    ],
    store: Annotated[Path, typer.Argument(help="A store of trials, or a new folder.")],
    forget: Annotated[
        bool, typer.Option("--forget", help="Leave out trials that are no longer in the folders.")
    ] = False,
    cluster: Cluster = None,
) -> None:
    """Gather the checked tables of many trials into a store of Parquet files by season.

    Gathering again adds what is new or changed. trialkit compare reads the store; so do pandas,
    Dask and other readers of Parquet. It holds growers' names as the trials do.
    """
    with Steps() as say:
        say("loading trialkit")
        from trialkit.many import gather as gathered

        say("gathering")
        found = gathered(folders, store, forget=forget, client=cluster, progress=say.at)
    for line in found.told:
        OUT.print(plain(line), soft_wrap=True)
    for line in found.left_out:
        complain(line)
    OUT.print(f"Store: {plain(store)}", soft_wrap=True)

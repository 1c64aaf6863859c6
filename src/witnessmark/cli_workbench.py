"""The command that serves the workbench."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--folder", metavar="FOLDER", help="Where recordings are kept, instead of your data folder.")
@click.option("--cases", metavar="FILE|URL", help="Database of cases, instead of the one in your data folder.")
@click.option("--port", default=8720, show_default=True, help="Port to listen on.")
def workbench(folder: str | None, cases: str | None, port: int) -> None:
    """See and touch recordings and cases in a browser on this machine."""
    from witnessmark.workbench.serve import default_folder, serve

    root = default_folder() if folder is None else Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    click.echo(f"Workbench: http://127.0.0.1:{port}/ (stop with Ctrl-C)", err=True)
    serve(root, cases, "127.0.0.1", port)

"""The command that serves the workbench."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("recording", required=False)
@click.option("--folder", metavar="FOLDER", help="Where recordings are kept, instead of your data folder.")
@click.option("--cases", metavar="FILE|URL", help="Database of cases, instead of the one in your data folder.")
@click.option("--port", default=8720, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option("--lan", is_flag=True, help="Serve on the network, too, for devices that are paired by a code.")
@click.option("--forget-devices", is_flag=True, help="Make every paired device a stranger, and end.")
@click.option("--open/--no-open", "open_browser", default=None, help="Open a browser; by default where there is one.")
def workbench(
    recording: str | None,
    folder: str | None,
    cases: str | None,
    port: int,
    lan: bool,
    forget_devices: bool,
    open_browser: bool | None,
) -> None:
    """See and touch recordings and cases in a browser, on this machine or on a tablet beside it.

    RECORDING is put on the bench where it lies and shown.
    """
    from witnessmark.console import place_for_compiled_code
    from witnessmark.workbench.serve import Wanted, default_folder, make_folder, only_server, say, serve

    root = default_folder() if folder is None else Path(folder)
    if forget_devices:
        from witnessmark.workbench.security_pairing import forget_devices as forget

        make_folder(root)
        with only_server(root):
            forget(root)
        say("No device is paired any more")
        return
    place_for_compiled_code()
    serve(Wanted(root, cases, port, lan, recording, open_browser))

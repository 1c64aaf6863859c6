"""Commands that move recordings about: import into a working store, export, verify. Heavy imports stand inside."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click


@contextmanager
def _progress(label: str) -> Iterator[Callable[[float], None] | None]:
    """A bar on standard error, on a terminal only."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr, show_pos=False) as bar:
        yield lambda share: bar.update(max(0, round(1000 * share) - bar.pos))


@click.command("import")
@click.argument("recording")
@click.argument("store")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="Kept in the store, used where none is given.")
def import_command(recording: str, store: str, setup_path: str | None) -> None:
    """Import RECORDING into the new folder STORE, which is then opened at once whatever its length.

    STORE is there whole at the end or not at all. Exit status 0: imported; 2: bad input or no room.
    """
    from witnessmark.recording.store_import import import_recording

    with _progress("Importing") as progress:
        made = import_recording(recording, store, setup_path, progress)
    click.echo(f"Imported  {made.store}: {made.channels} channels, {made.samples} samples")


@click.command()
@click.argument("recording")
@click.argument("out")
@click.option("--channel", "channels", multiple=True, metavar="NAME", help="Only this channel; may be repeated.")
@click.option("--from", "from_s", type=float, metavar="SECONDS", help="From this time on.")
@click.option("--to", "to_s", type=float, metavar="SECONDS", help="Up to this time, itself not included.")
def export(recording: str, out: str, channels: tuple[str, ...], from_s: float | None, to_s: float | None) -> None:
    """Write RECORDING (or a part of it) to OUT, in the format that its suffix names.

    .csv .tsv .parquet .arrow .feather .wav .npz .h5 .hdf5 or a new folder .zarr, the archive of a store. OUT is whole
    or not there. Exit status 0: written; 2: bad input, no room, or a format that cannot hold it.
    """
    from witnessmark.recording.export import export_recording
    from witnessmark.recording.open import open_recording

    opened = open_recording(recording)
    with _progress("Writing") as progress:
        made = export_recording(opened, out, channels=channels or None, from_s=from_s, to_s=to_s, progress=progress)
    click.echo(f"Written   {out}: {made.channels} channels, {made.samples} samples")
    for note in made.notes:
        click.echo(f"Note      {note}")


@click.command()
@click.argument("store")
def verify(store: str) -> None:
    """Check every sample of the working store STORE against the hashes taken when it was written.

    Exit status 0: all as it was written; 2: damaged or changed, and where.
    """
    from witnessmark.recording.store_verify import verify as check

    with _progress("Verifying") as progress:
        samples = check(store, progress)
    click.echo(f"Whole     {store}: {samples} samples as they were written")

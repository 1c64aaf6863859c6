"""What every command does with its process: print, ask, and find compiled code a place."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from witnessmark.errors import BadOutput


def print_text(text: str) -> None:
    """Text on standard output in its own encoding; a reader that has gone is no fault of anyone."""
    try:
        click.echo(text.encode(sys.stdout.encoding or "utf-8", "replace"), nl=False)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        raise BadOutput(f"standard output: {(error.strerror or str(error)).lower()}; send it elsewhere") from None


def written_lines(places: Iterable[str]) -> str:
    """A line for each file that a command writes."""
    return "".join(f"{'Written':<10}{place}\n" for place in places)


def dumped(data: dict[str, Any]) -> str:
    """A JSON object as the commands write it."""
    import json

    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def on_terminal() -> bool:
    """Whether somebody can answer."""
    return sys.stdin.isatty()


def place_for_compiled_code() -> None:
    """Let numba keep its compiled code somewhere, for this run only if need be.

    It keeps it beside the package or in the user's cache and refuses to work where neither can be written (an
    installation for all, run by a service without a home). A shared folder would let others plant code, so it is a
    private one, removed at the end: such a run compiles anew, some 20 s; NUMBA_CACHE_DIR names a lasting place.
    """
    cache = Path(os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"))
    if "NUMBA_CACHE_DIR" in os.environ or any(writable(p) for p in (Path(__file__).parent / "signals", cache)):
        return
    import atexit
    import shutil
    import tempfile

    folder = tempfile.mkdtemp(prefix="witnessmark-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.environ["NUMBA_CACHE_DIR"] = folder


def writable(folder: Path) -> bool:
    """Whether the folder can be written, or made."""
    there = next((p for p in (folder, *folder.parents) if p.exists()), folder)
    return os.access(there, os.W_OK | os.X_OK)

"""What the commands print, and whether somebody can answer."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from witnessmark.errors import BadOutput


def show(text: str) -> None:
    """Text on standard output in its own encoding; a reader that has gone is no fault of anyone."""
    try:
        click.echo(text.encode(sys.stdout.encoding or "utf-8", "replace"), nl=False)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        raise BadOutput(f"standard output: {(error.strerror or str(error)).lower()}; send it elsewhere") from None


def dumped(data: dict[str, Any]) -> str:
    """A JSON object as the commands write it."""
    import json

    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def on_terminal() -> bool:
    """Whether somebody can answer."""
    return sys.stdin.isatty()

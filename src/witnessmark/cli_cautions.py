"""The short cautions that stand on a terminal before the engine turns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from witnessmark.recording.setup import Setup

WHILE = {"cranking": ("rotation", "battery"), "running": ("rotation", "exhaust")}  # by what the engine does


def warn(*cautions: str, setup: Setup | None = None) -> None:
    """Print the openings of these cautions beside the output, and of those that belong to such an engine."""
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.engines import EngineFacts, engine_facts
    from witnessmark.report.blocks import latin
    from witnessmark.report.words import opening

    engine = EngineFacts() if setup is None else engine_facts(setup, None)
    for text in load_knowledge().caution_texts(("rules-first", *cautions), engine):
        click.echo(f"Caution: {latin(opening(text))}", err=True)

"""Commands that work while it happens: capture from an instrument, follow what a recorder writes."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import click


@dataclass(frozen=True)
class Following:
    """The options of ``follow``, by the names of its command line."""

    setup_path: str | None
    json_path: str | None
    report_path: str | None
    minutes: float | None
    kinds: tuple[str, ...]
    keep_in: str
    spool: str | None
    idle_s: float | None
    there_too: bool


@click.command()
@click.argument("resource")
@click.argument("out")
@click.option("--channels", required=True, metavar="1=NAME,2=NAME", help="Channels of the instrument and their names.")
@click.option("--seconds", required=True, type=click.FloatRange(min=1e-6, max=86400), help="How long to record.")
@click.option("--rate", "rate_hz", type=click.FloatRange(min=1e-3), metavar="HZ", help="Samples a second to ask for.")
@click.option("--dialect", default="auto", metavar="NAME", help="Family of commands, or a file of your own (.toml).")
@click.option("--backend", default="@py", metavar="VISA", help="The VISA library; @py is the one that comes along.")
@click.option("--timeout", "timeout_s", default=5.0, type=click.FloatRange(0.01), help="Seconds to wait for an answer.")
@click.option("--reset", is_flag=True, help="Reset the instrument first: its own settings are lost.")
def capture(
    resource: str,
    out: str,
    channels: str,
    seconds: float,
    rate_hz: float | None,
    dialect: str,
    backend: str,
    timeout_s: float,
    reset: bool,
) -> None:
    """Record with the SCPI instrument RESOURCE (a VISA name) into OUT, a recording for analyze.

    Ranges, coupling and probes stay as they are set at the instrument. Exit status 0: written; 2: it did not come to
    that, and why.
    """
    from witnessmark import console, output
    from witnessmark.capture import acquire, dialects, instrument, keep
    from witnessmark.cli_cautions import warn

    wanted = acquire.parse_channels(channels)
    keep.check_suffix(out)
    output.check_places([out])
    known = dialects.choose(dialect)

    def begun() -> None:
        if sys.stderr.isatty():
            click.echo(f"Recording {seconds:g} s from now on.", err=True)

    with instrument.connected(resource, backend, timeout_s) as line:
        warn("rotation", "ignition", "battery", "exhaust")
        captured = acquire.capture(line, known, wanted, seconds, rate_hz=rate_hz, reset=reset, begun=begun)
    keep.write(captured, out)
    console.print_text(keep.summary(captured, out))


@click.command()
@click.argument("source")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of vehicle, wheel and lines.")
@click.option("--json", "json_path", metavar="OUT", help='The final analysis as JSON; "-" prints only that.')
@click.option("--report", "report_path", metavar="OUT", help="The final report as one HTML file.")
@click.option(
    "--keep-last",
    "minutes",
    type=click.FloatRange(0.05, 1440),
    metavar="MINUTES",
    help="Keep the minutes before an event as a file.",
)
@click.option("--keep-on", "kinds", multiple=True, metavar="KIND", help="Keep for these findings only (repeat it).")
@click.option("--keep-in", "keep_in", default=".", metavar="FOLDER", help="Where what is kept goes.")
@click.option("--spool", metavar="OUT.raw", help="With -: keep all that came through the pipe.")
@click.option(
    "--idle", "idle_s", type=click.FloatRange(min=0.5), metavar="SECONDS", help="Done when nothing came for this long."
)
@click.option("--there-too", is_flag=True, help="With a folder: also what lies there already.")
def follow(source: str, **options: Any) -> None:
    """Follow SOURCE while it is recorded: a growing file, - for a pipe, or a folder that recordings come to.

    Prints each finding when it first becomes stated, changes or is withdrawn; at the end the analysis of the whole, as
    analyze gives it. Ctrl-C ends in order; Enter or SIGUSR1 marks an event. Exit status as for analyze.
    """
    from witnessmark.cli_follow import run

    run(source, Following(**options))

"""Commands that work while it happens: capture from an instrument, follow what a recorder writes."""

from __future__ import annotations

import click


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
    from witnessmark import cli, output
    from witnessmark.capture import acquire, dialects, instrument, keep

    wanted = acquire.parse_channels(channels)
    keep.check_suffix(out)
    output.check_places([out])
    known = dialects.choose(dialect)
    with instrument.connected(resource, backend, timeout_s) as line:
        captured = acquire.capture(line, known, wanted, seconds, rate_hz=rate_hz, reset=reset)
    keep.write(captured, out)
    cli._print(keep.summary(captured, out))

"""The commands of ``witnessmark scan``: parse, call, print. Heavy imports stand inside the commands."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from witnessmark.cli_cautions import WHILE, warn
from witnessmark.console import dumped, on_terminal, print_text
from witnessmark.errors import BadOutput, BadScan, NoLink, NotConfirmed

if TYPE_CHECKING:
    from witnessmark.scan.against import Agreement
    from witnessmark.scan.link import Link
    from witnessmark.scan.model import Engine, ScanSnapshot

ENGINE = click.Choice(["off", "cranking", "running"])
USUAL_RATE = 500_000


def _bus_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say which bus."""
    for option in (
        click.option("--wide-ids", is_flag=True, help="29-bit identifiers instead of 11-bit ones."),
        click.option("--bitrate", default=USUAL_RATE, show_default=True, metavar="BIT/S", type=click.IntRange(10_000)),
        click.option("--channel", metavar="NAME", help="The bus, as python-can names it: can0, vcan0, ..."),
        click.option("--interface", default="socketcan", show_default=True, help="The adapter, by python-can's name."),
    ):
        command = option(command)
    return command


@contextmanager
def _link(
    interface: str, channel: str | None, bitrate: int, wide_ids: bool, simulated: Engine | None = None
) -> Iterator[Link]:
    """The bus, or the simulated van in this process."""
    if simulated is not None:
        from witnessmark.scan.control_unit import bakery_van
        from witnessmark.scan.serving import served

        with served(bakery_van(simulated, wide_ids), wide_ids) as link:
            yield link
        return
    from witnessmark.scan.link import open_link

    if channel is None:
        raise click.UsageError("say which bus (--channel can0), or --simulated")
    with open_link(interface, channel, bitrate, wide_ids) as link:
        yield link


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def scan() -> None:
    """Read trouble codes, readiness and live values, and say what they tell.

    From a live bus through any adapter that python-can knows, from a log of the bus, or typed in by hand.
    """


@scan.command()
@click.argument("log", required=False)
@_bus_options
@click.option("--simulated", is_flag=True, help="Read the simulated van instead of a vehicle.")
@click.option("--engine", type=ENGINE, help="What the engine does meanwhile.")
@click.option("--watch", "watch_s", default=0.0, metavar="S", type=click.FloatRange(0, 600),
              help="First read speed and supply again and again for so many seconds: crank meanwhile.")  # fmt: skip
@click.option("--json", "json_path", metavar="OUT.json", help='Write the snapshot as JSON; "-" prints only that.')
@click.option("--vin", "show_vin", is_flag=True, help="Do not mask the vehicle number.")
@click.option("--full", is_flag=True, help="Also every live value, what the codes point at, what was not told.")
def read(
    log: str | None, interface: str, channel: str | None, bitrate: int, wide_ids: bool, simulated: bool,
    engine: Engine | None, watch_s: float, json_path: str | None, show_vin: bool, full: bool,
) -> None:  # fmt: skip
    """Read all control units from the bus, or from LOG (candump, ASC, BLF, TRC, MDF), and say what they tell.

    Reading changes nothing in the vehicle.
    """
    from witnessmark import output

    if json_path is not None and json_path != "-":
        output.check_places([json_path], [log] if log is not None else [])
    if log is not None:
        if channel is not None or simulated or watch_s:
            raise click.UsageError("a log is read as it is; --channel, --simulated and --watch are for a live bus")
        from witnessmark.scan.open import open_snapshot

        snapshot = open_snapshot(log, engine)
    else:
        snapshot = _read_live(interface, channel, bitrate, wide_ids, simulated, engine, watch_s, json_path == "-")
    from witnessmark.scan.snapshot_json import snapshot_json

    text = dumped(snapshot_json(snapshot, show_vin)) if json_path is not None else ""
    if json_path == "-":
        print_text(text)
        return
    if json_path is not None:
        output.write_all({json_path: text})
    print_text(_summary(snapshot, show_vin, full=full) + "\n")


def _read_live(
    interface: str, channel: str | None, bitrate: int, wide_ids: bool, simulated: bool, engine: Engine | None,
    watch_s: float, quiet: bool,
) -> ScanSnapshot:  # fmt: skip
    from witnessmark.scan.ask import read_vehicle

    def say(text: str) -> None:
        if sys.stderr.isatty():  # a script gets one line, where something is wrong
            click.echo(text, err=True)

    if engine in ("cranking", "running") and not simulated and not quiet:
        warn(*WHILE[engine])
    with _link(interface, channel, bitrate, wide_ids, (engine or "cranking") if simulated else None) as link:
        meanwhile: Engine | None = engine or ("cranking" if simulated else None)
        return read_vehicle(link, meanwhile, watch_s, "simulated" if simulated else "live", say)


def _summary(
    snapshot: ScanSnapshot, show_vin: bool, agreements: tuple[Agreement, ...] = (), *, full: bool = True
) -> str:
    from witnessmark.report.scan_summary import summary
    from witnessmark.scan.judge import judge

    return summary(snapshot, judge(snapshot), agreements, show_vin, full)


@scan.command(name="show")
@click.argument("snapshot_path", metavar="SNAPSHOT")
@click.option("--engine", type=ENGINE, help="What the engine did meanwhile.")
@click.option("--recording", metavar="RECORDING", help="Hold the codes against this recording of the same vehicle.")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of the recording.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write findings and snapshot; "-" prints only that.')
@click.option("--vin", "show_vin", is_flag=True, help="Do not mask the vehicle number.")
@click.option("--full", is_flag=True, help="Also every live value, what the codes point at, what was not told.")
def show_snapshot(
    snapshot_path: str, engine: Engine | None, recording: str | None, setup_path: str | None, json_path: str | None,
    show_vin: bool, full: bool,
) -> None:  # fmt: skip
    """Say what a SNAPSHOT tells: a .json that was read before, a log, or a .toml typed in by hand."""
    from witnessmark import output
    from witnessmark.scan.judge import judge
    from witnessmark.scan.open import open_snapshot

    if setup_path is not None and recording is None:
        raise click.UsageError("--setup is of a recording; give --recording too")
    read_too = [p for p in (snapshot_path, recording, setup_path) if p is not None]
    if json_path is not None and json_path != "-":
        output.check_places([json_path], read_too)
    snapshot = open_snapshot(snapshot_path, engine)
    agreements = _against(snapshot, recording, setup_path) if recording is not None else ()
    text = ""
    if json_path is not None:
        from witnessmark.report.scan_json import scan_json

        text = dumped(scan_json(snapshot, judge(snapshot), agreements, show_vin))
    if json_path == "-":
        print_text(text)
        return
    if json_path is not None:
        output.write_all({json_path: text})
    print_text(_summary(snapshot, show_vin, agreements, full=full) + "\n")


def _against(snapshot: ScanSnapshot, recording: str, setup_path: str | None) -> tuple[Agreement, ...]:
    from witnessmark import startup

    with startup.quick_imports():
        from witnessmark.pipeline import analyze
    from witnessmark.scan.against import Recorded, against
    from witnessmark.scan.judge import judge

    analysis = analyze(recording, setup_path)
    turns = analysis.wheel.angle.turns if analysis.wheel.layout is not None else None
    recorded = Recorded(frozenset(line.role for line in analysis.signals.lines), turns)
    return against(snapshot, analysis.findings, judge(snapshot), recorded)


@scan.command()
@_bus_options
@click.option("--simulated", is_flag=True, help="The simulated van instead of a vehicle.")
@click.option("--save", "save", required=True, metavar="SNAPSHOT.json",
              help="A new file, for your eyes only, where what will be lost is saved first.")  # fmt: skip
@click.option("--vin", "show_vin", is_flag=True, help="Do not mask the vehicle number in what is saved.")
@click.option("--json", "json_path", metavar="OUT.json",
              help='Write what became of each unit; "-" prints only that, what will go on standard error.')  # fmt: skip
def clear(
    interface: str, channel: str | None, bitrate: int, wide_ids: bool, simulated: bool, save: str, show_vin: bool,
    json_path: str | None,
) -> None:  # fmt: skip
    """Erase codes, freeze frames, readiness and learnt trims in all control units, after a typed confirmation.

    What will be lost is read, saved and listed first. It cannot be brought back. Exit status 0: erased everywhere; 2:
    not confirmed, refused, or no answer.
    """
    from witnessmark import output
    from witnessmark.report.scan_erase import losses
    from witnessmark.scan.ask import WORD, erase_codes, read_vehicle
    from witnessmark.scan.snapshot_json import snapshot_json

    if save == "-":
        raise BadScan("-: what will be lost is saved in a file; give it a name such as before.json")
    output.check_places([save])
    if json_path is not None and json_path != "-":
        output.check_places([save, json_path])
    if os.path.lexists(save):
        raise BadOutput(f"{save}: is there already and is not overwritten; choose another name")
    with _link(interface, channel, bitrate, wide_ids, "off" if simulated else None) as link:
        before = read_vehicle(link, "off" if simulated else None, kind="simulated" if simulated else "live")
        _standing(before)
        output.write_private(save, dumped(snapshot_json(before, show_vin)))
        click.echo(losses(before, save), err=True) if json_path == "-" else print_text(losses(before, save) + "\n")
        outcomes = erase_codes(link, [int(u.address, 16) for u in before.units], _typed(WORD, json_path == "-"))
    from witnessmark.scan.snapshot_json import erased_json

    text = "".join(f"{o.address}: {'erased' if o.erased else f'NOT erased, {o.why}'}\n" for o in outcomes)
    _told(text, erased_json(outcomes, save), json_path)
    left = [o for o in outcomes if not o.erased]
    if left:
        raise NoLink(f"{len(left)} of {len(outcomes)} control units did not erase; see above, ignition on, engine off")


def _standing(before: ScanSnapshot) -> None:
    """Codes are erased with the engine standing: a running one refuses, or starts to learn anew at once."""
    turning = [u for u in before.units if (s := u.one("engine-speed")) is not None and (s.last or 0.0) > 0.0]
    if turning:
        raise NoLink(f"{turning[0].called}: the engine turns; stop it, leave the ignition on and try again")


def _typed(word: str, quiet: bool = False) -> str:
    """What a person types; NotConfirmed where nobody can. quiet: nothing of it on standard output."""
    if not on_terminal():
        raise NotConfirmed("nothing is erased without a typed confirmation; run this on a terminal")
    asked = f'Type "{word}" to erase, anything else to leave it'
    return str(click.prompt(asked, default="", show_default=False, err=quiet))


def _told(text: str, data: dict[str, Any], json_path: str | None) -> None:
    """The text, and the JSON in a file where one is named; or only the JSON."""
    from witnessmark import output

    print_text(dumped(data) if json_path == "-" else text)
    if json_path not in (None, "-"):
        output.write_all({str(json_path): dumped(data)})


@scan.command()
@click.argument("out", required=False)
@_bus_options
@click.option("--engine", type=ENGINE, default="cranking", show_default=True, help="What the van's engine does.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write what was done as JSON; "-" prints only that.')
def simulate(
    out: str | None, interface: str, channel: str | None, bitrate: int, wide_ids: bool, engine: Engine,
    json_path: str | None,
) -> None:  # fmt: skip
    """Simulate the bakery's van: write a log of it being read to OUT, or answer on a bus until stopped.

    The suffix of OUT chooses the format (.log, .asc, .blf, .trc). For tests and for trying things out: nothing of it
    comes from a vehicle.
    """
    if (out is None) == (channel is None):
        raise click.UsageError("give a log to write, or a bus to answer on (--channel vcan0)")
    from witnessmark.scan.snapshot_json import simulated_json

    _check_places(out, json_path)
    if out is not None:
        from witnessmark.scan.write_log import write_simulated

        frames = write_simulated(out, engine, wide_ids)
        _told(f"Written   {out}: {frames} frames, simulated\n", simulated_json(engine, out, frames), json_path)
        return
    from witnessmark.scan.control_unit import bakery_van
    from witnessmark.scan.link import open_link
    from witnessmark.scan.serving import Serving

    assert channel is not None
    with open_link(interface, channel, bitrate, wide_ids, answers_only=False) as link:
        click.echo(f"the simulated van answers on {channel}; stop it with Ctrl-C", err=True)
        serving = Serving(link.bus, bakery_van(engine, wide_ids), wide_ids)
        try:
            serving.run_until_stopped()
        finally:
            _told("", simulated_json(engine, channel=channel, answers=serving.answers), json_path)


def _check_places(out: str | None, json_path: str | None) -> None:
    from witnessmark import output

    if json_path not in (None, "-"):
        output.check_places([p for p in (out, json_path) if p is not None])

"""``witnessmark case``: one job from complaint to verification. Heavy imports stand inside the commands."""

from __future__ import annotations

import click

from witnessmark.cases import cli_files, cli_log, cli_priors
from witnessmark.cases.options import answer, of_case, opened, print_json, reads, writer, writes
from witnessmark.console import print_text


@click.group()
def case() -> None:
    """Work one job from complaint to verification, in a log that only grows.

    A case is named by its id or the beginning of it. Cases lie in a file in your data folder; --cases or the
    environment variable WITNESSMARK_CASES names another file or a PostgreSQL database (postgresql://user@host/name).
    """


@case.command()
@click.option("--complaint", metavar="TEXT", help="What the customer complains of.")
@click.option("--vehicle", metavar="TEXT", help="Which vehicle, in words.")
@click.option("--customer", metavar="TEXT", help="Whose it is.")
@click.option("--vin", metavar="VIN", help="Its number; kept sealed, shown masked.")
@click.option("--code", "codes", multiple=True, metavar="P0336", help="A trouble code; may be given several times.")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="Take from a setup file what is not said here.")
@writes
def new(
    complaint: str | None,
    vehicle: str | None,
    customer: str | None,
    vin: str | None,
    codes: tuple[str, ...],
    setup_path: str | None,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Open a case and print its id.

    Get the owner's consent to what you will do, and read and save codes, freeze frame and readiness before anything is
    cleared.
    """
    from witnessmark.cases.bodies import Opened
    from witnessmark.cases.store import Cases
    from witnessmark.cases.vin import sealed
    from witnessmark.recording.setup import Setup, load_setup

    known = (Setup() if setup_path is None else load_setup(setup_path)).vehicle
    complaint, number = complaint or known.complaint, vin or known.vin
    if complaint is None:
        raise click.UsageError("missing --complaint: say what the customer complains of")
    masked, seal = sealed(number) if number else ("", None)
    body = Opened(complaint, vehicle or known.description or "", customer or "", codes or known.codes or (), masked,
                  None if seal is None else seal.sha256)  # fmt: skip
    made = Cases.open(cases).new(body, writer(by), () if seal is None else (seal,))
    if as_json:
        answer(made, 0, True)
    else:
        print_text(f"{made.id}\n")


@case.command("list")
@click.option("--open", "only_open", is_flag=True, help="Only those that are not closed.")
@reads
def list_(only_open: bool, cases: str | None, as_json: bool) -> None:
    """List the cases, the newest first."""
    from witnessmark.cases import show
    from witnessmark.cases.state_json import list_json
    from witnessmark.cases.store import Cases

    store = Cases.open(cases)
    made, damaged = store.read_each()
    found = tuple(c for c in made if c.is_open or not only_open)
    for line in damaged:
        click.echo(f"witnessmark: {line}", err=True)
    if as_json:
        print_json(list_json(found, damaged))
    else:
        print_text(f"{show.cases(found)}\n" if found else f"No case in {store.place}. Open one with case new.\n")


@case.command("show")
@of_case
@click.option("--vin", "with_vin", is_flag=True, help="Show the whole vehicle number.")
@click.option("--brief", is_flag=True, help="Only how it stands, without the log.")
@reads
def show_(case_id: str, with_vin: bool, brief: bool, cases: str | None, as_json: bool) -> None:
    """Show how a case stands and its log."""
    from witnessmark.cases import show
    from witnessmark.cases.state_json import state_json
    from witnessmark.cases.vin import shown

    store, found = opened(cases, case_id)
    vin = shown(store, found, whole=with_vin)
    if as_json:
        print_json(state_json(found, vin))
    else:
        print_text(show.standing(found, vin) + ("\n" if brief else f"\n\n{show.log(found)}\n"))


cli_log.join(case)
cli_priors.join(case)
cli_files.join(case)

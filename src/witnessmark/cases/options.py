"""What the commands of a case have in common: where the cases lie, who writes, how the answer is printed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from witnessmark.cases import completion
from witnessmark.console import print_text

if TYPE_CHECKING:
    from witnessmark.cases.bodies import Body
    from witnessmark.cases.model import Attachment, Case
    from witnessmark.cases.store import Cases

F = TypeVar("F", bound=Callable[..., Any])


def reads(command: F) -> F:
    """The options of every command of a case."""
    command = click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")(command)
    return click.option(
        "--cases", metavar="FILE|URL", help="Database of cases, instead of the one in your data folder."
    )(command)


def writes(command: F) -> F:
    """The options of every command that adds to a case."""
    return reads(click.option("--by", metavar="NAME", envvar="WITNESSMARK_BY", help="Who writes this.")(command))


def of_case(command: F) -> F:
    """The argument that names a case."""
    return click.argument("case_id", metavar="CASE", shell_complete=completion.case_ids)(command)


def writer(by: str | None) -> str:
    """Who writes: as said, else the user of this machine."""
    import getpass

    if by is not None:
        return by
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        raise click.UsageError("nobody is logged in here: say who writes with --by") from None


def opened(cases: str | None, case_id: str) -> tuple[Cases, Case]:
    """The database and the case that begins so."""
    from witnessmark.cases.store import Cases

    store = Cases.open(cases)
    return store, store.read(store.resolve(case_id))


def open_case(cases: str | None, case_id: str) -> tuple[Cases, Case]:
    """The same where long work is to follow: refused at once where the case is closed, as the log would refuse it."""
    from witnessmark.errors import BadCase

    store, case = opened(cases, case_id)
    if not case.is_open:
        raise BadCase(f"case {case.id}: the case is closed; reopen it first")
    return store, case


def append(
    cases: str | None,
    case_id: str,
    make: Callable[[Case], list[Body]] | Body,
    by: str | None,
    as_json: bool,
    files: tuple[Attachment, ...] = (),
) -> Case:
    """Add to a case and print what was added."""
    store, was = opened(cases, case_id)
    case = store.add(was.id, make, writer(by), files)
    answer(case, was.last, as_json)
    return case


def answer(case: Case, since: int, as_json: bool) -> None:
    """Print the entries after ``since``, or the state with them as JSON."""
    if as_json:
        from witnessmark.cases.state_json import state_json

        print_json(state_json(case, case.opened.vin, since))
        return
    from witnessmark.cases.show import entry

    print_text("".join(f"{entry(e)}\n" for e in case.log if e.number > since))


def print_json(data: dict[str, Any]) -> None:
    """JSON on standard output and nothing else there."""
    import json

    print_text(json.dumps(data, indent=1, allow_nan=False) + "\n")

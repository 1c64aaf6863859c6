"""``witnessmark case``: the commands that write into the log, and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from witnessmark.cases import completion
from witnessmark.cases.options import answer, append, of_case, opened, writer, writes
from witnessmark.console import print_text
from witnessmark.errors import NotConfirmed

if TYPE_CHECKING:
    from witnessmark.cases.model import Attachment

WHY = click.option("--why", required=True, metavar="TEXT", help="The reason; it stays in the log.")


@click.command()
@of_case
@click.argument("text")
@click.option(
    "--test", "test", default="", metavar="ID", shell_complete=completion.tests, help="The test it answers, by its id."
)
@click.option("--outcome", default="", metavar="N|TEXT", shell_complete=completion.outcomes,
              help="Which of the test's outcomes, by its number or words.")  # fmt: skip
@writes
def note(case_id: str, text: str, test: str, outcome: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Note what was seen, heard, felt or measured by hand."""
    from witnessmark.cases.bodies import Observation
    from witnessmark.cases.work import observed

    body = Observation(text, test, outcome)
    append(cases, case_id, observed(body) if test and outcome else body, by, as_json)


@click.command()
@of_case
@click.argument("text")
@click.option("--work", "is_work", is_flag=True, help="Work done, no part fitted.")
@click.option("--earlier", is_flag=True, help="Before this case was opened.")
@click.option("--number", default="", metavar="TEXT", help="Part number.")
@click.option("--when", default="", metavar="TEXT", help="Date, or in words.")
@click.option("--who", default="", metavar="TEXT", help="Who did it.")
@writes
def part(
    case_id: str,
    text: str,
    is_work: bool,
    earlier: bool,
    number: str,
    when: str,
    who: str,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Enter a part that was fitted, or work that was done."""
    from witnessmark.cases.bodies import Work

    append(cases, case_id, Work("work" if is_work else "part", text, number, when, who, earlier), by, as_json)


@click.command()
@of_case
@click.argument("test", required=False, shell_complete=completion.tests)
@click.option("--statement", default="", metavar="TEXT", help="A test of your own, in words.")
@click.option("--why", default="", metavar="TEXT", help="Why this one.")
@writes
def test(
    case_id: str, test: str | None, statement: str, why: str, cases: str | None, by: str | None, as_json: bool
) -> None:
    """Choose the test to do next: TEST by its id, else the first that the last analysis proposes.

    Its cautions are printed with it: read them before you begin.
    """
    from witnessmark.cases.bodies import ChosenTest
    from witnessmark.cases.work import test_chosen

    found = append(cases, case_id, lambda c: [test_chosen(c, test, statement, why)], by, as_json)
    chosen = found.log[-1].body
    if not as_json and isinstance(chosen, ChosenTest):
        from witnessmark.cases.show import foreseen

        print_text(f"{foreseen(chosen)}\n" if chosen.outcomes or chosen.cautions else "")


@click.command()
@of_case
@click.argument("number", type=click.IntRange(1), shell_complete=completion.tests_open)
@click.argument("result", shell_complete=completion.results)
@click.option("--note", default="", metavar="TEXT", help="Anything to add.")
@writes
def outcome(
    case_id: str, number: int, result: str, note: str, cases: str | None, by: str | None, as_json: bool
) -> None:
    """Enter what chosen test NUMBER showed: RESULT in words, or the number of a foreseen outcome."""
    from witnessmark.cases.work import outcome as seen

    append(cases, case_id, lambda c: [seen(c, number, result, note)], by, as_json)


@click.command()
@of_case
@click.argument("text")
@click.option("--because", multiple=True, type=click.IntRange(1), metavar="N", shell_complete=completion.entries,
              help="An entry it rests on; repeatable.")  # fmt: skip
@writes
def decide(case_id: str, text: str, because: tuple[int, ...], cases: str | None, by: str | None, as_json: bool) -> None:
    """Enter a decision and what it rests on."""
    from witnessmark.cases.bodies import Decision

    append(cases, case_id, Decision(text, because), by, as_json)


@click.command()
@of_case
@click.argument("item")
@click.option("--why", default="", metavar="TEXT", help="What for.")
@writes
def disable(case_id: str, item: str, why: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Enter what is unplugged, pulled, bridged or switched off, so that it is put back."""
    from witnessmark.cases.bodies import Disabled

    append(cases, case_id, Disabled(item, why), by, as_json)


@click.command()
@of_case
@click.argument("numbers", nargs=-1, type=click.IntRange(1), shell_complete=completion.to_restore)
@click.option("--how", default="", metavar="TEXT", help="How it was checked.")
@writes
def restore(case_id: str, numbers: tuple[int, ...], how: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Confirm that disabled items are back as they were: by NUMBERS, or asked one by one on a terminal."""
    from witnessmark.cases.bodies import Restored

    if not numbers:
        numbers = _asked(cases, case_id)
    append(cases, case_id, lambda c: [Restored(n, how) for n in numbers], by, as_json)


def on_terminal() -> bool:
    """Whether somebody can answer."""
    import sys

    return sys.stdin.isatty()


def _asked(cases: str | None, case_id: str) -> tuple[int, ...]:
    """The items that somebody at the terminal confirms; NotConfirmed where there is none to ask, or none confirmed."""
    _, case = opened(cases, case_id)
    items = [f"{n} {d.item}" for n, d in case.to_restore]
    if not items:
        raise NotConfirmed(f"case {case.id}: nothing is left to restore; see case show")
    if not on_terminal():
        raise NotConfirmed(f"case {case.id}: to restore: {', '.join(items)}; confirm each by its number")
    yes = tuple(n for n, d in case.to_restore if click.confirm(f"{n} {d.item}: back as it was?", default=False))
    if not yes:
        raise NotConfirmed(f"case {case.id}: nothing confirmed; still to restore: {', '.join(items)}")
    return yes


@click.command()
@of_case
@click.argument("number", type=click.IntRange(1), shell_complete=completion.entries)
@click.option("--set", "changes", multiple=True, metavar="FIELD=VALUE", help="A field and its new value; repeatable.")
@click.option("--vin", metavar="VIN", help="The right vehicle number, for entry 1.")
@WHY
@writes
def correct(
    case_id: str,
    number: int,
    changes: tuple[str, ...],
    vin: str | None,
    why: str,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Correct entry NUMBER: its words as written stay in the log beside the new ones.

    Fields as case show --json names them; a list is written with commas, "-" empties a field.
    """
    from witnessmark.cases.bodies import Correction
    from witnessmark.cases.vin import sealed

    store, case = opened(cases, case_id)
    values: dict[str, Any] = dict(_change(text, case.log[number - 1].body if number <= case.last else None)
                                  for text in changes)  # fmt: skip
    files: tuple[Attachment, ...] = ()
    if vin is not None:
        masked, seal = sealed(vin)
        values |= {"vin": masked, "vin_file": seal.sha256}
        files = (seal,)
    if not values:
        raise click.UsageError("nothing to correct: give --set FIELD=VALUE or --vin")
    answer(store.add(case.id, Correction(number, values, why), writer(by), files), case.last, as_json)


def _change(text: str, old: object) -> tuple[str, Any]:
    """``field=value`` with the value in the form that the field has now."""
    name, equals, said = text.partition("=")
    if not equals:
        raise click.UsageError(f'"{text}": expected FIELD=VALUE')
    held = getattr(old, name.strip(), "")
    said = "" if said == "-" else said
    if isinstance(held, tuple):
        words = [w.strip() for w in said.split(",") if w.strip()]
        numbers = bool(words) and name.strip() == "because" and all(w.isdecimal() for w in words)
        return name.strip(), [int(w) for w in words] if numbers else words
    if isinstance(held, bool):
        return name.strip(), {"yes": True, "true": True, "no": False, "false": False}.get(said.lower(), said)
    return name.strip(), said


@click.command()
@of_case
@click.argument("number", type=click.IntRange(1), shell_complete=completion.entries)
@WHY
@writes
def retract(case_id: str, number: int, why: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Withdraw entry NUMBER: it stays to be read and counts no more, nor does what rests on it."""
    from witnessmark.cases.bodies import Retraction

    append(cases, case_id, Retraction(number, why), by, as_json)


@click.command()
@of_case
@click.argument("text")
@click.option(
    "--cause", default="", metavar="ID", shell_complete=completion.causes, help="What it was, where that was proven."
)
@click.option("--target", default="", metavar="TEXT", help="Which slot, line or cylinder.")
@writes
def close(case_id: str, text: str, cause: str, target: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Close a case. Refused while anything that was disabled is not confirmed as restored."""
    from witnessmark.causes.ids import CAUSES

    if cause and cause not in CAUSES:
        raise click.UsageError(f'"{cause}" is no cause, expected one of {", ".join(CAUSES)}')
    from witnessmark.cases.bodies import Closed

    found = append(cases, case_id, Closed(text, cause, target), by, as_json)
    if not as_json:
        from witnessmark.cases.show import unproven

        remark = unproven(found)
        print_text(f"{remark}\n" if remark else "")


@click.command()
@of_case
@click.argument("text", metavar="[WHY]", required=False)
@click.option("--why", metavar="TEXT", help="The reason; it stays in the log.")
@writes
def reopen(case_id: str, text: str | None, why: str | None, cases: str | None, by: str | None, as_json: bool) -> None:
    """Open a closed case again, with the reason."""
    from witnessmark.cases.bodies import Reopened

    if (text is None) == (why is None):
        raise click.UsageError("say once why: --why TEXT")
    append(cases, case_id, Reopened(why or text or ""), by, as_json)


def join(group: click.Group) -> None:
    """Put these commands into the group."""
    for command in (note, part, test, outcome, decide, disable, restore, correct, retract, close, reopen):
        group.add_command(command)

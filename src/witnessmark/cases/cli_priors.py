"""``witnessmark case priors``: what the shop's own closed cases do to the priors, and how they are set back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from witnessmark.cases.options import print_json, writer, writes
from witnessmark.console import on_terminal, print_text
from witnessmark.errors import NotConfirmed

if TYPE_CHECKING:
    from witnessmark.cases.history import History
    from witnessmark.cases.store import Cases


@click.command()
@click.option("--reset", "to_reset", is_flag=True, help="Leave out from now on all cases that are closed by now.")
@click.option("--take-back", is_flag=True, help="Take back the reset that holds: the cases before it count again.")
@click.option("--why", metavar="TEXT", help="The reason of a reset or of taking it back; it stays in the database.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--since-begin", is_flag=True, help="Show what the priors would be if all closed cases counted.")
@writes
def priors(
    to_reset: bool,
    take_back: bool,
    why: str | None,
    yes: bool,
    since_begin: bool,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Show how the causes of your closed cases move the priors, or set them back.

    A reset changes no case: it leaves out those closed before it, stays in the database and can be taken back. add
    recording --as-delivered leaves all of them out for once.
    """
    if to_reset + take_back + since_begin > 1:
        raise click.UsageError("--reset, --take-back and --since-begin: give one of them")
    if (to_reset or take_back) != (why is not None):
        raise click.UsageError("--why goes with --reset or --take-back: say why there, and only there")
    from witnessmark.cases.store import Cases

    store = Cases.open(cases)
    if why is not None:
        _write(store, writer(by), why, taking_back=take_back, ask=not yes)
    _print(store, since_begin, as_json)


def _write(store: Cases, by: str, why: str, *, taking_back: bool, ask: bool) -> None:
    """The reset, or the taking back; NotConfirmed where nobody agrees."""
    from witnessmark.cases import history
    from witnessmark.errors import BadCase

    now = history.history(store)
    if taking_back and now.since is None:
        raise BadCase(f"{store.place}: no reset of the priors holds, so there is none to take back")
    if ask:
        _ask(_question(now, taking_back))
    (history.take_back if taking_back else history.reset)(store, by, why)


def _question(now: History, taking_back: bool) -> str:
    from witnessmark.report.words import plural

    if taking_back:
        return f"Let {plural(now.left_out, 'closed case')} from before the reset count again?"
    return f"Leave {plural(sum(now.counts.values()), 'closed case')} out of the priors from now on?"


def _ask(question: str) -> None:
    if not on_terminal():
        raise NotConfirmed("case priors: nobody is at a terminal to agree; give --yes where it is meant")
    if not click.confirm(question, default=False, err=True):
        raise NotConfirmed("case priors: not confirmed; nothing was changed")


def _print(store: Cases, since_begin: bool, as_json: bool) -> None:
    from witnessmark.cases import show
    from witnessmark.cases.history import history
    from witnessmark.cases.state_json import priors_json
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.experience import updated

    now = history(store, since_begin=since_begin)
    found = updated(load_knowledge(), now.counts)[1]
    if as_json:
        print_json(priors_json(found, now))
        return
    none = f"No closed case in {store.place} names its cause: the priors are those delivered."
    if now.since is not None:
        none = "No case closed since then names its cause: the priors are those delivered."
    print_text("".join(f"{line}\n" for line in (*show.resets(now), show.priors(found) if found else none)))


def join(group: click.Group) -> None:
    """Put this command into the group."""
    group.add_command(priors)

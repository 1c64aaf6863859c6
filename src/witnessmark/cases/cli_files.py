"""``witnessmark case``: recordings, photos, snapshots, the check after the repair, zips and the proof."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from witnessmark.cases import completion
from witnessmark.cases.options import answer, append, of_case, open_case, opened, print_json, reads, writer, writes
from witnessmark.console import place_for_compiled_code, print_text
from witnessmark.errors import BadOutput, WitnessmarkError

if TYPE_CHECKING:
    from collections.abc import Callable

    from witnessmark.cases.bodies import Body, Snapshot
    from witnessmark.cases.evidence import Anew
    from witnessmark.cases.model import Attachment, Case
    from witnessmark.cases.store import Cases
    from witnessmark.report.model import Analysis
    from witnessmark.scan.model import Engine

NOTE = click.option("--note", default="", metavar="TEXT", help="Under which conditions, or what it shows.")


def _analysis() -> tuple[Callable[..., Analysis], Callable[..., Analysis]]:
    """The analysis, and how a snapshot is taken into one; loaded quickly."""
    from witnessmark import startup

    place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import analyze, with_scan
    return analyze, with_scan


@click.group()
def add() -> None:
    """Add a recording, a photo or a snapshot of codes and live data."""


@add.command()
@of_case
@click.argument("path", metavar="RECORDING")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of vehicle, wheel and lines.")
@click.option("--as-delivered", is_flag=True, help="Leave your own closed cases out of the priors.")
@NOTE
@writes
def recording(
    case_id: str,
    path: str,
    setup_path: str | None,
    as_delivered: bool,
    note: str,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Analyse RECORDING and keep what came out; the recording itself stays where it is, known by its hash.

    What tests showed by hand and control units said since the last work is weighed with it, and the causes of your
    other closed cases.
    """
    store, case = open_case(cases, case_id)
    analyse, with_scan = _analysis()
    from witnessmark.cases.evidence import evidence

    known = evidence(store, case, as_delivered=as_delivered)
    made = known.weighed(path, setup_path, note, analyse, with_scan)
    case_now = store.add(case.id, lambda c: made.after(c.last), writer(by), made.files)
    if not as_json:
        from witnessmark.report.terminal import summary

        print_text(summary(made.analysis) + "\n\n")
    answer(case_now, case_now.last - 2, as_json)


@click.command()
@of_case
@click.argument("number", type=click.IntRange(1), required=False, shell_complete=completion.recordings)
@click.option("--as-delivered", is_flag=True, help="Leave your own closed cases out of the priors.")
@writes
def analyze(
    case_id: str, number: int | None, as_delivered: bool, cases: str | None, by: str | None, as_json: bool
) -> None:
    """Analyse recording NUMBER of the case anew, by default the last one, with what counts now.

    Such as after a snapshot was withdrawn or a newer version of this program was installed.
    """
    store, case = open_case(cases, case_id)
    analyse, with_scan = _analysis()
    from witnessmark.cases.bodies import RecordingAdded
    from witnessmark.cases.evidence import anew
    from witnessmark.errors import BadCase

    held = [n for n, _ in case.of(RecordingAdded)]
    if number is None and not held:
        raise BadCase(f"case {case.id}: holds no recording; add one with case add recording")
    made = anew(store, case, number or held[-1], analyse, with_scan, as_delivered=as_delivered)
    case_now = store.add(case.id, made.entry(), writer(by), made.files)
    if not as_json:
        from witnessmark.report.terminal import summary

        print_text(summary(made.analysis) + "\n\n")
    answer(case_now, case.last, as_json)


@add.command()
@of_case
@click.argument("path", metavar="PICTURE")
@click.option("--note", required=True, metavar="TEXT", help="What it shows.")
@writes
def photo(case_id: str, path: str, note: str, cases: str | None, by: str | None, as_json: bool) -> None:
    """Add a picture (JPEG, PNG, WebP), such as the borescope's."""
    from witnessmark.cases.work import photo as read

    body, file = read(path, note)
    append(cases, case_id, body, by, as_json, (file,))


@add.command()
@of_case
@click.argument("path", metavar="SNAPSHOT")
@click.option("--engine", type=click.Choice(["off", "cranking", "running"]), help="What the engine did meanwhile.")
@NOTE
@writes
def snapshot(
    case_id: str, path: str, engine: Engine | None, note: str, cases: str | None, by: str | None, as_json: bool
) -> None:
    """Add what control units said: a .json of scan read, a log of the bus, or a .toml typed in by hand.

    Its findings stand in the log and weigh: the last recording, where there is one since the last work, is analysed
    anew with it. Another JSON document is kept, its trouble codes listed, and nothing of it weighs.
    """
    from witnessmark.cases.work import snapshot as read

    store, case = open_case(cases, case_id)
    body, file = read(path, note, engine)
    made, not_weighed = _with_snapshot(store, case, body, file)
    files = (file,) if made is None else (file, *made.files)

    def bodies(c: Case) -> list[Body]:
        return [body] if made is None else [body, made.entry(c.last + 1)]

    case_now = store.add(case.id, bodies, writer(by), files)
    answer(case_now, case.last, as_json)
    if not as_json and body.findings:
        from witnessmark.cases.show import balance, findings

        told = [findings(body.findings), balance(case_now) if made is not None else not_weighed]
        print_text("".join(f"{t}\n" for t in told if t))


def _with_snapshot(store: Cases, case: Case, body: Snapshot, file: Attachment) -> tuple[Anew | None, str]:
    """The last recording analysed with the snapshot that comes, and why it could not be where it should."""
    from witnessmark.cases.evidence import anew, to_weigh_anew

    number = to_weigh_anew(case) if body.findings else None
    if number is None:
        return None, ""
    import json

    from witnessmark.cases.work import read_back

    analyse, with_scan = _analysis()
    try:
        return anew(store, case, number, analyse, with_scan, read_back(json.loads(file.data), body.name)), ""
    except WitnessmarkError as error:
        return None, f"Not weighed with recording {number}: {error}"


@click.command()
@of_case
@click.argument("path", metavar="RECORDING")
@click.option("--before", type=click.IntRange(1), metavar="N", shell_complete=completion.recordings,
              help="The recording to compare with, by its entry.")  # fmt: skip
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="For both; else the one kept with the recording.")
@writes
def verify(
    case_id: str,
    path: str,
    before: int | None,
    setup_path: str | None,
    cases: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Check the repair: hold RECORDING, made after it, against the one before.

    Without --before that is the last one added before the last work entered.
    """
    store, case = open_case(cases, case_id)
    from witnessmark.cases.verify import checked_repair

    made = checked_repair(store, case, path, _analysis()[0], before, setup_path)
    case_now = store.add(case.id, made.bodies, writer(by), made.files)
    answer(case_now, case.last, as_json)


@click.command()
@of_case
@reads
def pool(case_id: str, cases: str | None, as_json: bool) -> None:
    """Put the recordings of a case together: counts, bounds and balance over all of them.

    Those that belong to the same state of the vehicle as the last verdict: work done on it parts them. They are
    analysed anew, and nothing is written into the log. What tests showed by hand weighs, snapshots do not.
    """
    store, case = opened(cases, case_id)
    from witnessmark.cases.pooling import pool_json, pooled, summary

    found = pooled(store, case, _analysis()[0])
    if as_json:
        print_json(pool_json(found))
    else:
        print_text(f"{summary(found)}\n")


@click.command()
@of_case
@click.argument("out", metavar="OUT.zip", required=False)
@click.option("--vin", "with_vin", is_flag=True, help="With the sealed vehicle number.")
@reads
def export(case_id: str, out: str | None, with_vin: bool, cases: str | None, as_json: bool) -> None:
    """Write a case with its files (not its recordings) into one zip, to hand over or keep."""
    from witnessmark import output
    from witnessmark.cases.archive import default_name, write_zip

    store, case = opened(cases, case_id)
    place = out or default_name(case)
    output.check_places([place], store.file_read)
    write_zip(store, case, place, with_private=with_vin)
    if as_json:
        print_json({"schema": "witnessmark.case-written/1", "case": case.id, "path": place, "entries": case.last})
    else:
        print_text(f"{'Written':<12}{place}\n")


@click.command("import")
@click.argument("path", metavar="CASE.zip")
@reads
def import_(path: str, cases: str | None, as_json: bool) -> None:
    """Take in the case of a zip. What is here already stays; a case that has gone another way is refused."""
    from witnessmark.cases.archive import import_zip
    from witnessmark.cases.store import Cases

    case, new = import_zip(Cases.open(cases), path)
    if as_json:
        answer(case, case.last - new, True)
    else:
        print_text(f"{'Case':<12}{case.id}, {new} new of {case.last} entries\n")


@click.command()
@of_case
@click.option("--shop", "shop", metavar="OUT.html", help="The technical report, with the whole log.")
@click.option("--customer", "customer", metavar="OUT.html", help="One page in plain words.")
@click.option("--vin", "with_vin", is_flag=True, help="Show the whole vehicle number.")
@reads
def report(
    case_id: str, shop: str | None, customer: str | None, with_vin: bool, cases: str | None, as_json: bool
) -> None:
    """Write the proof: for the shop, for the customer, or both. Each is one file that prints on A4 and Letter."""
    from functools import partial

    from witnessmark import output
    from witnessmark.cases.customer import customer_html
    from witnessmark.cases.document import shop_html
    from witnessmark.cases.vin import shown

    places = [p for p in (shop, customer) if p is not None]
    if not places:
        raise click.UsageError("nothing to write: give --shop OUT.html, --customer OUT.html or both")
    if "-" in places:
        raise BadOutput("-: a report is a file to open in a browser; give it a name such as report.html")
    store, case = opened(cases, case_id)
    output.check_places(places, store.file_read)
    vin, files = shown(store, case, whole=with_vin), partial(store.file, case.id)
    texts = {place: made(case, vin, files) for place, made in ((shop, shop_html), (customer, customer_html)) if place}
    output.write_all(texts)
    if as_json:
        print_json({"schema": "witnessmark.case-written/1", "case": case.id, "shop": shop, "customer": customer})
    else:
        print_text("".join(f"{'Written':<12}{place}\n" for place in places))


def join(group: click.Group) -> None:
    """Put these commands into the group."""
    for command in (add, analyze, pool, verify, report, export, import_):
        group.add_command(command)

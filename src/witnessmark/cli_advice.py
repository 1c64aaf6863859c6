"""The commands about tests to be done: their list, the plan of a recording, the hookup's check, several recordings.

Heavy imports stand inside the commands, so that --help is quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from witnessmark import console
from witnessmark.cases import completion
from witnessmark.errors import BadOutput

if TYPE_CHECKING:
    from witnessmark.causes.observations import Observation


def by_hand_of(
    observed: tuple[str, ...], hand_path: str | None, closed_path: str | None
) -> tuple[tuple[Observation, ...], dict[str, int] | None]:
    """What was seen by hand and the closed cases, checked before the recording is read."""
    if not (observed or hand_path or closed_path):
        return (), None
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.experience import read_counts
    from witnessmark.causes.observations import parse_observed, read_observations

    knowledge = load_knowledge()
    told = read_observations(hand_path, knowledge) if hand_path is not None else ()
    told += tuple(parse_observed(text, knowledge) for text in observed)
    return told, None if closed_path is None else read_counts(closed_path)


@click.command()
@click.argument("test", required=False, shell_complete=completion.tests)
def tests(test: str | None) -> None:
    """List the tests that can be done by hand, or TEST with its outcomes, cost and cautions.

    A test's id and the number of its outcome are what --observed takes.
    """
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.listing import listed, test_page

    knowledge = load_knowledge()
    console.print_text(listed(knowledge) if test is None else test_page(test, knowledge))


@click.command()
@click.argument("recording", required=False)
@click.option("--test", "test", metavar="TEST", shell_complete=completion.tests,
              help="The test to plan; by default the next test for RECORDING.")  # fmt: skip
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of vehicle, wheel and lines.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write the plan as JSON; "-" prints only that.')
@click.option("--page", "page_path", metavar="OUT.html", help="Write the plan with its pictures as one HTML page.")
def plan(
    recording: str | None, test: str | None, setup_path: str | None, json_path: str | None, page_path: str | None
) -> None:
    """Plan what to record for a test: lines, leads, range, rate, length, cautions and the picture to expect.

    With RECORDING the causes still open and the suspect slot come from its analysis; without it give --test.
    """
    from witnessmark import output, startup

    if recording is None and test is None:
        raise click.UsageError("Give a RECORDING, or --test with a test's id (witnessmark tests)")
    places = [p for p in (json_path, page_path) if p is not None and p != "-"]
    if page_path == "-":
        raise BadOutput("-: a page is a file to open in a browser; give it a name such as plan.html")
    output.check_places(places, [p for p in (recording, setup_path) if p is not None])
    console.place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import plan_for

    made = plan_for(recording, setup_path, test)
    texts: dict[str, str] = {}
    if json_path is not None:
        from witnessmark.plan.plan_json import plan_json

        texts[json_path] = console.dumped(plan_json(made))
    if page_path is not None:
        from witnessmark.plan.document import plan_html

        texts[page_path] = plan_html(made)
    printed = texts.pop("-", None)
    if printed is None:
        from witnessmark.plan.terminal import summary

        printed = summary(made) + "\n" + console.written_lines(texts)
    output.write_all(texts)
    console.print_text(printed)


@click.command()
@click.argument("recording")
@click.option("--test", "test", metavar="TEST", required=True, shell_complete=completion.tests,
              help="The test that is hooked up for.")  # fmt: skip
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of vehicle, wheel and lines.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write the result as JSON; "-" prints only that.')
def hookup(recording: str, test: str, setup_path: str | None, json_path: str | None) -> None:
    """Check a hookup on the first seconds in RECORDING, before the engine is cranked long.

    Holds every line against the plan for TEST: missing, dead, the wrong way round, wrong ratio, too slow, clipped.
    Exit status 0: checked, whatever came out; 2: bad input.
    """
    from witnessmark import output, startup

    output.check_places([p for p in (json_path,) if p is not None and p != "-"], [recording, setup_path or recording])
    console.place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import hookup_of

    from witnessmark.plan.plan_json import hookup_json
    from witnessmark.plan.terminal import hookup_summary

    seen = hookup_of(recording, setup_path, test)
    text = console.dumped(hookup_json(seen))
    if json_path is not None and json_path != "-":
        output.write_all({json_path: text})
    console.print_text(text if json_path == "-" else hookup_summary(seen) + "\n")


@click.command()
@click.argument("recordings", nargs=-1, required=True)
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of the engine, for all recordings.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write the pool as JSON; "-" prints only that.')
@click.option("--observed", "observed", metavar="TEST=OUTCOME", multiple=True, shell_complete=completion.observed,
              help="A test done by hand; repeatable.")  # fmt: skip
@click.option("--observations", "hand_path", metavar="FILE.toml", help="The same with date, name and note.")
@click.option("--closed-cases", "closed_path", metavar="FILE.toml", help="Your own closed cases: they move the priors.")
def pool(
    recordings: tuple[str, ...],
    setup_path: str | None,
    json_path: str | None,
    observed: tuple[str, ...],
    hand_path: str | None,
    closed_path: str | None,
) -> None:
    """Pool RECORDINGS of one case: counts, bounds and balance over all of them, each still traceable.

    They are taken to show one state of the vehicle; use compare for before and after a repair. Exit status 0: pooled,
    whatever was found; 2: bad input.
    """
    from witnessmark import output, startup

    inputs = [p for p in (*recordings, setup_path, hand_path, closed_path) if p is not None]
    output.check_places([p for p in (json_path,) if p is not None and p != "-"], inputs)
    by_hand, closed = by_hand_of(observed, hand_path, closed_path)
    console.place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import analyze as run

    from witnessmark.pool.pool import pool as pooled_over
    from witnessmark.pool.pooled_json import pooled_json
    from witnessmark.pool.terminal import summary

    pooled = pooled_over([run(r, setup_path) for r in recordings], observations=by_hand, closed=closed)
    if json_path is not None and json_path != "-":
        output.write_all({json_path: console.dumped(pooled_json(pooled))})
    console.print_text(console.dumped(pooled_json(pooled)) if json_path == "-" else summary(pooled) + "\n")

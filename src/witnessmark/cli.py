"""The command line: parse, call, print. Heavy imports stand inside the commands, so that --help is quick."""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from witnessmark import __version__
from witnessmark.cases import completion
from witnessmark.cases.cli import case
from witnessmark.cli_advice import by_hand_of, hookup, plan, pool, tests
from witnessmark.cli_live import capture, follow
from witnessmark.cli_recordings import export, import_command, verify
from witnessmark.cli_scan import scan
from witnessmark.cli_workbench import workbench
from witnessmark.console import dumped as _dumped
from witnessmark.console import on_terminal as _on_terminal
from witnessmark.console import place_for_compiled_code as _place_for_compiled_code
from witnessmark.console import print_text as _print
from witnessmark.console import written_lines
from witnessmark.errors import BadOutput, BadRecording, NotConfirmed, WitnessmarkError

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis
    from witnessmark.scan.model import ScanSnapshot

BAD_INPUT = 2
BUG = 3
STOPPED = 130  # as shells report an interrupt
DEBUG = "WITNESSMARK_DEBUG"


class OneLine(click.Group):
    """A group whose failures are one line on standard error, never a traceback.

    Exit 2: the input's fault (recording, setup, scenario, a place that cannot be written, a wrong option). Exit 3: this
    program's fault. With WITNESSMARK_DEBUG set, warnings and tracebacks are shown.
    """

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run, and leave with the exit status; see the class."""
        if os.environ.get(DEBUG):
            return super().main(*args, **kwargs)
        kwargs["standalone_mode"] = False
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sys.exit(self._guarded(*args, **kwargs))

    def _guarded(self, *args: Any, **kwargs: Any) -> int:
        try:
            code = super().main(*args, **kwargs)
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message(), err=True)
            return BAD_INPUT
        except click.ClickException as error:
            _fail(_usage(error), BAD_INPUT)
        except WitnessmarkError as error:
            _fail(str(error), BAD_INPUT)
        except (KeyboardInterrupt, click.Abort) as error:
            left = next((str(e) for e in (error, error.__cause__) if e is not None and str(e)), "nothing was written")
            _fail(f"stopped by the user; {left}", STOPPED)
        except MemoryError:
            _fail("not enough memory for this recording; cut it shorter or close other programs", BAD_INPUT)
        except Exception as error:  # a fault of this program: one line to report, not a traceback
            what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            _fail(f"internal error ({what}); please report it with what {DEBUG}=1 shows", BUG)
        return code if isinstance(code, int) else 0


def _fail(text: str, code: int) -> NoReturn:
    click.echo(f"witnessmark: {' '.join(text.split())}", err=True)
    sys.exit(code)


def _usage(error: click.ClickException) -> str:
    """A wrong option or argument in one line, with where to read on."""
    text = error.format_message().rstrip(".")
    context = getattr(error, "ctx", None)
    return f"{text}; see {context.command_path} --help" if context is not None else text


@click.group(cls=OneLine, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="witnessmark")
def main() -> None:
    """From a recording of an engine's signals to a proven verdict."""


for _command in (import_command, export, verify, scan, case, capture, follow, tests, plan, hookup, pool, workbench):
    main.add_command(_command)


@main.command()
@click.argument("recording")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of vehicle, wheel and lines.")
@click.option("--scan", "scan_path", metavar="SNAPSHOT", help="What its control units said: see witnessmark scan read.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write the analysis as JSON; "-" prints only that.')
@click.option("--report", "report_path", metavar="OUT.html", help="Write the report as one HTML file.")
@click.option("--observed", "observed", metavar="TEST=OUTCOME", multiple=True, shell_complete=completion.observed,
              help="A test done by hand; repeatable.")  # fmt: skip
@click.option("--observations", "hand_path", metavar="FILE.toml", help="The same with date, name and note.")
@click.option("--closed-cases", "closed_path", metavar="FILE.toml", help="Your own closed cases: they move the priors.")
def analyze(
    recording: str,
    setup_path: str | None,
    scan_path: str | None,
    json_path: str | None,
    report_path: str | None,
    observed: tuple[str, ...],
    hand_path: str | None,
    closed_path: str | None,
) -> None:
    """Analyse RECORDING and print what was found, the evidence and the next test.

    Works without a setup; what is then inferred says so. Exit status 0: analysed, whatever was found; 2: bad input.
    """
    from witnessmark import output, startup

    places = [p for p in (json_path, report_path) if p is not None and p != "-"]
    if report_path == "-":
        raise BadOutput("-: a report is a file to open in a browser; give it a name such as report.html")
    given = [p for p in (recording, setup_path, scan_path, hand_path, closed_path) if p is not None]
    output.check_places(places, given)
    by_hand, closed = by_hand_of(observed, hand_path, closed_path)
    _place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import analyze as run

    snapshot = _snapshot(scan_path)  # before the long work: it may be unreadable
    analysis = run(recording, setup_path, observations=by_hand, closed=closed)
    if snapshot is not None:
        from witnessmark.pipeline import with_scan

        analysis = with_scan(analysis, snapshot, observations=by_hand, closed=closed)
    texts: dict[str, str] = {}
    if json_path is not None:
        texts[json_path] = _json(analysis)
    if report_path is not None:
        from witnessmark.report.html import report_html

        texts[report_path] = report_html(analysis)
    printed = texts.pop("-", None)
    if printed is None:
        from witnessmark.report.terminal import summary

        printed = summary(analysis) + "\n" + written_lines(texts)
    output.write_all(texts)
    _print(printed)


def _snapshot(path: str | None) -> ScanSnapshot | None:
    if path is None:
        return None
    from witnessmark.scan.open import open_snapshot

    return open_snapshot(path)


def _json(analysis: Analysis) -> str:
    from witnessmark.report.analysis_json import analysis_json

    return _dumped(analysis_json(analysis))


@main.command()
@click.argument("recording")
@click.option("--out", "out", required=True, metavar="SETUP.toml", help="Where to write the setup.")
@click.option("--setup", "setup_path", metavar="BASE.toml", help="What is known already; it is kept.")
@click.option("--same-engine", is_flag=True, help="For later recordings of this very engine: its teeth's errors too.")
@click.option("--yes", is_flag=True, help="Write without asking, also where a fault is seen in the recording.")
def learn(recording: str, out: str, setup_path: str | None, same_engine: bool, yes: bool) -> None:
    """Learn a setup from RECORDING of a good engine, for engines of its kind.

    Prints what it would believe and what speaks against it, and asks before it writes. Exit status 0: written; 2: bad
    input, or not confirmed.
    """
    from witnessmark import output, startup

    if out == "-":
        raise BadOutput("-: a setup is a file; give it a name such as setup.toml")
    output.check_places([out], [p for p in (recording, setup_path) if p is not None])
    _place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import analyze as run

    from witnessmark.learn.lesson import learn as lesson_of
    from witnessmark.learn.write import setup_text, summary

    lesson = lesson_of(run(recording, setup_path), same_engine=same_engine)
    _print(summary(lesson) + "\n")
    there = Path(out).exists()
    if not yes:
        _confirm(recording, out, bool(lesson.stated), there)
    output.write_all({out: setup_text(lesson)})
    _print(f"{'Replaced' if there else 'Written':<10}{out}\n")


def _confirm(recording: str, out: str, against: bool, there: bool) -> None:
    """Ask on the terminal; NotConfirmed without a terminal or without a yes."""
    seen = "a fault is stated in it, so it may be no good engine" if against else "what it would believe stands above"
    if not _on_terminal():
        raise NotConfirmed(f"{recording}: {seen}; nothing is learnt: confirm with --yes, or run it on a terminal")
    replaces = f", replacing {out}" if there else ""
    question = f"Is this a good engine all the same? Learn from it{replaces}" if against else f"Learn this{replaces}"
    if not click.confirm(f"{question}?", default=False):
        raise NotConfirmed(f"{recording}: not confirmed; nothing was written")


@main.command()
@click.argument("before")
@click.argument("after")
@click.option("--setup", "setup_path", metavar="SETUP.toml", help="What is known of the engine, for both recordings.")
@click.option("--json", "json_path", metavar="OUT.json", help='Write the comparison as JSON; "-" prints only that.')
@click.option("--report", "report_path", metavar="OUT.html", help="Write the comparison as one HTML file.")
def compare(before: str, after: str, setup_path: str | None, json_path: str | None, report_path: str | None) -> None:
    """Compare the recordings BEFORE and AFTER a repair and print what became of each finding.

    Exit status 0: compared, whatever came out; 2: bad input.
    """
    from witnessmark import output, startup

    places = [p for p in (json_path, report_path) if p is not None and p != "-"]
    if report_path == "-":
        raise BadOutput("-: a report is a file to open in a browser; give it a name such as report.html")
    output.check_places(places, [p for p in (before, after, setup_path) if p is not None])
    if os.path.exists(before) and os.path.exists(after) and os.path.samefile(before, after):
        raise BadRecording(f"{after}: the same recording as before the repair; give the one made after it")
    _place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.pipeline import analyze as run

    from witnessmark.compare.compare import compare as held_against

    comparison = held_against(run(before, setup_path), run(after, setup_path))
    texts: dict[str, str] = {}
    if json_path is not None:
        from witnessmark.compare.comparison_json import comparison_json

        texts[json_path] = _dumped(comparison_json(comparison))
    if report_path is not None:
        from witnessmark.compare.document import comparison_html

        texts[report_path] = comparison_html(comparison)
    printed = texts.pop("-", None)
    if printed is None:
        from witnessmark.compare.terminal import summary

        printed = summary(comparison) + "\n" + written_lines(texts)
    output.write_all(texts)
    _print(printed)


@main.command()
@click.argument("scenario")
@click.argument("out")
def simulate(scenario: str, out: str) -> None:
    """Simulate SCENARIO (TOML) into the recording OUT, with its truth and a setup beside it.

    The suffix of OUT chooses the format. What it makes is simulated data and nothing else.
    """
    from witnessmark import output, startup

    beside = [str(Path(out).with_suffix(end)) for end in (".truth.json", ".setup.toml")] if Path(out).name else []
    output.check_places([out, *beside], [scenario])
    _place_for_compiled_code()
    with startup.quick_imports():
        from witnessmark.simulate.run import write_simulation

    written = write_simulation(scenario, out)
    _print("".join(f"{what:<10}{path}\n" for what, path in zip(("Recording", "Truth", "Setup"), written, strict=True)))

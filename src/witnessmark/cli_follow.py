"""The command ``follow``: its options put together, its source chosen, its output printed and written."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from witnessmark import console, output, startup
from witnessmark.errors import BadOutput

if TYPE_CHECKING:
    from witnessmark.cli_live import Following
    from witnessmark.follow.marks import Marks
    from witnessmark.follow.model import Stream
    from witnessmark.follow.pipe import Pipe
    from witnessmark.recording.model import Recording
    from witnessmark.recording.setup import Setup
    from witnessmark.report.model import Analysis

PIPE = "-"
STAYS_SHOWN = 5
HELD_S = 120.0  # held beyond what is kept: what a look, the minute before an event and the wait behind it need


def run(source: str, options: Following) -> None:
    """Follow ``source`` as the options say."""
    from witnessmark.follow.source import is_folder

    folder = source != PIPE and is_folder(source)
    _check(source, options, folder)
    console.place_for_compiled_code()
    with startup.quick_imports():
        import witnessmark.pipeline  # noqa: F401  (all of it once, quickly)
    from witnessmark.follow import marks
    from witnessmark.recording.setup import Setup, load_setup

    setup = Setup() if options.setup_path is None else load_setup(options.setup_path)
    kept: list[str] = []
    with (
        marks.listening(keyboard=source != PIPE and not folder and console.on_terminal()) as heard,
        _saying_what_stays(kept),
    ):
        if folder:
            _folder(source, options, setup, heard, kept)
        else:
            _stream(source, options, setup, heard, kept)


@contextmanager
def _saying_what_stays(kept: list[str]) -> Iterator[None]:
    """An interrupt that says what was written before it and stays."""
    try:
        yield
    except KeyboardInterrupt:
        there = [p for p in dict.fromkeys(kept) if os.path.exists(p)]
        if not there:
            raise
        more = f" and {len(there) - STAYS_SHOWN} more" if len(there) > STAYS_SHOWN else ""
        raise KeyboardInterrupt(f"what was kept stays: {', '.join(there[:STAYS_SHOWN])}{more}") from None


def _check(source: str, options: Following, folder: bool) -> None:
    """Refuse, before anything is followed, options that do not go together and places that cannot be written."""
    from witnessmark.report.words import KINDS

    read = [p for p in (source, options.setup_path) if p is not None and p != PIPE]
    if folder:
        _check_folder(options)
        return
    if options.report_path == PIPE:
        raise BadOutput("-: a report is a file to open in a browser; give it a name such as report.html")
    if options.spool is not None:
        if source != PIPE or options.minutes is not None:
            raise BadOutput(f"{options.spool}: a spool keeps a whole pipe; it goes with - and without --keep-last")
        if Path(options.spool).suffix.lower() != ".raw":
            raise BadOutput(f"{options.spool}: a spool holds raw samples; give it a name that ends in .raw")
        if os.path.lexists(options.spool):
            raise BadOutput(f"{options.spool}: is there already and would be overwritten; choose another name")
    places = [options.json_path, options.report_path, options.spool]
    output.check_places([p for p in places if p is not None and p != PIPE], read)
    odd = next((k for k in options.kinds if k not in KINDS), None)
    if odd is not None:
        raise click.BadParameter(
            f'"{odd}" is no kind of finding; use one of {", ".join(KINDS)}', param_hint="--keep-on"
        )
    if options.minutes is not None:
        _make_folder(options.keep_in)


def _make_folder(given: str) -> None:
    """The folder for what is kept, made where it is not there yet."""
    try:
        os.makedirs(given, exist_ok=True)
    except (OSError, ValueError) as error:
        why = "is a file" if os.path.exists(given) else f"cannot be made ({getattr(error, 'strerror', None) or error})"
        raise BadOutput(f"{given}: {why}; --keep-in takes a folder to keep recordings in") from None
    if not os.access(given, os.W_OK | os.X_OK):
        raise BadOutput(f"{given}: no permission to write in it; --keep-in takes a folder to keep recordings in")


def _check_folder(options: Following) -> None:
    for place in (options.json_path, options.report_path):
        if place is not None and not os.path.isdir(place):
            raise BadOutput(f"{place}: is no folder; with a watched folder the results of each recording go into one")
    if options.minutes is not None or options.spool is not None:
        raise BadOutput(f"{options.keep_in}: a folder's recordings are whole files; leave --keep-last and --spool out")


def _say(options: Following) -> Callable[[str], None]:
    """Lines go to standard output, or beside it where only the JSON may stand there."""
    from witnessmark.report.blocks import latin

    if options.json_path == PIPE:
        return lambda line: click.echo(latin(line), err=True)
    return lambda line: console.print_text(latin(line) + "\n")


def _warn(options: Following, setup: Setup) -> None:
    """The cautions of a starting engine, once, before anything is waited for; none where only the JSON is wanted."""
    from witnessmark.cli_cautions import warn

    if options.json_path != PIPE:
        warn("rotation", "battery", "exhaust", setup=setup)


def _folder(source: str, options: Following, setup: Setup, heard: Marks, kept: list[str]) -> None:
    """Each recording of a folder as it comes; ``kept`` gets what is written."""
    from witnessmark.follow.folder import Folder, watch
    from witnessmark.pipeline import analyze

    def analyse(path: str) -> None:
        from witnessmark.report.terminal import summary

        analysis = analyze(path, options.setup_path)
        name = Path(path).name
        texts = _texts(
            analysis,
            None if options.json_path is None else str(Path(options.json_path) / f"{name}.analysis.json"),
            None if options.report_path is None else str(Path(options.report_path) / f"{name}.html"),
        )
        output.write_all(texts)
        kept.extend(texts)
        console.print_text(f"{path}\n{summary(analysis)}\n\n")

    _warn(options, setup)
    watch(Folder(source, there_too=options.there_too), analyse, _say(options), heard, options.idle_s)


def _texts(analysis: Analysis, json_path: str | None, report_path: str | None) -> dict[str, str]:
    texts: dict[str, str] = {}
    if json_path is not None:
        from witnessmark.report.analysis_json import analysis_json

        texts[json_path] = console.dumped(analysis_json(analysis))
    if report_path is not None:
        from witnessmark.report.html import report_html

        texts[report_path] = report_html(analysis)
    return texts


def _stream(source: str, options: Following, setup: Setup, heard: Marks, kept: list[str] | None = None) -> None:
    """A growing file or a pipe: looks while it grows, the whole at its end; ``kept`` gets what is written."""
    from witnessmark.follow.keeper import Keeper
    from witnessmark.follow.pipe import Pipe
    from witnessmark.follow.run import IDLE_S, Follower
    from witnessmark.pipeline import analyze, analyze_recording
    from witnessmark.recording.open import usable

    def look(recording: Recording) -> Analysis:
        return analyze_recording(usable(recording, setup), setup, options.setup_path)

    say = _say(options)
    stream = _open(source, options)
    keeper = None
    if options.minutes is not None:
        keeper = Keeper(stream, look, say, options.keep_in, 60.0 * options.minutes)
        keeper.kept = keeper.kept if kept is None else kept
    if options.spool is not None and kept is not None:
        kept.append(options.spool)
    follower = Follower(
        stream, look, say, heard, keeper=keeper, keep_on=frozenset(options.kinds),
        idle_s=IDLE_S if options.idle_s is None else options.idle_s,
    )  # fmt: skip
    _warn(options, setup)
    try:
        follower.follow()
    except BaseException:  # whatever ends it, what was marked is kept
        follower.keep_rest(hurry=True)
        raise
    follower.keep_rest()  # before the analysis of the whole, which may fail or be stopped
    analysis = look(_whole(stream, say)) if isinstance(stream, Pipe) else analyze(source, options.setup_path)
    follower.finish(analysis)
    _write(analysis, options)


def _open(source: str, options: Following) -> Stream:
    if source != PIPE:
        from witnessmark.follow.source import growing_file

        return growing_file(source)
    from witnessmark.follow.pipe import Pipe, raw_stdin

    keep_s = None if options.minutes is None else 60.0 * options.minutes + HELD_S
    return Pipe(raw_stdin(), keep_s, options.spool, None if keep_s is None else options.keep_in)


def _whole(pipe: Pipe, say: Callable[[str], None]) -> Recording:
    """All that is held of the pipe, with what ended it early among its cautions."""
    from witnessmark.follow.lines import line

    recording = pipe.whole()
    if pipe.trouble:
        say(line(recording.end_s, "broken off", pipe.trouble))
        recording = replace(recording, cautions=(*recording.cautions, pipe.trouble))
    if pipe.first:
        said = f"Only the last {recording.duration_s:.0f} s of the pipe are held; what came before is not in here."
        recording = replace(recording, cautions=(*recording.cautions, said))
    return recording


def _write(analysis: Analysis, options: Following) -> None:
    """As ``analyze`` writes and prints it."""
    from witnessmark.report.terminal import summary

    texts = _texts(analysis, options.json_path, options.report_path)
    printed = texts.pop(PIPE, None)
    output.write_all(texts)
    shown = f"\n{summary(analysis)}\n{console.written_lines(texts)}"
    console.print_text(shown if printed is None else printed)

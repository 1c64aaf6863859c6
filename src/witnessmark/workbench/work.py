"""The process that imports and analyses one recording: ``python -m witnessmark.workbench.work``.

It loads everything an analysis needs, then waits for its task, one JSON object on a line of standard input (see
:class:`Task`), and ends with it. How far it is it tells as one JSON object a line on standard output: changes of the
card. Where the server goes, standard input ends, and so does this process, at once. Killed at any moment it leaves no
store that could be taken for a whole one, and the recording can be taken up again.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnessmark.errors import WitnessmarkError
from witnessmark.workbench.folder import Card, Folder
from witnessmark.workbench.work_limits import limit_memory, limited_to

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis

STAGES = {
    "lines": "reading the lines", "wheel": "decoding the wheel", "engine": "looking at cams, spark and fuel",
    "findings": "looking for what is odd", "causes": "weighing the causes",
}  # fmt: skip
ANALYSED = 0.9  # share of the stage "analysing" that the analysis itself takes
SERVER_GONE = 3
Tell = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True)
class Task:
    """``what``: "all" of recording ``id``, only its "report", or to "compare" two as ``asked`` of case ``id``.

    cases: the database's place, told here and in no list of processes, as it may hold a password.
    """

    root: str
    id: str
    what: str = "all"
    cases: str | None = None
    asked: Mapping[str, Any] = field(default_factory=dict)


def tell(changes: Mapping[str, Any]) -> None:
    """One line for the server."""
    print(json.dumps(changes), flush=True)


@dataclass
class Progress:
    """Tells of a stage no more often than somebody could see."""

    told: Tell
    stage: str
    _last: float = field(default=-1.0)

    def __call__(self, share: float, said: str = "") -> None:
        """Tell of it."""
        if share >= self._last + 0.01 or said:
            self._last = share
            self.told({"stage": self.stage, "share": round(share, 3), "said": said})


def make(folder: Folder, recording_id: str, told: Tell = tell, cases: str | None = None) -> Analysis:
    """Import where there is no store yet, analyse, and write everything the pages show."""
    imported(folder, recording_id, told)
    analysis = analysed(folder, recording_id, told, cases)
    write(folder, recording_id, analysis, told)
    return analysis


def imported(folder: Folder, recording_id: str, told: Tell) -> None:
    """Import a recording whose working store is not there yet."""
    from witnessmark.recording.store_import import import_recording

    store = folder.of(recording_id) / "store"
    if not (store / "recording.json").exists():
        shutil.rmtree(store, ignore_errors=True)
        import_recording(folder.original(folder.card(recording_id)), store, None, Progress(told, "importing"))


def analysed(folder: Folder, recording_id: str, told: Tell, cases: str | None) -> Analysis:
    """The analysis, under the recording's own name; a case's recording with what its case knows."""
    from witnessmark.pipeline import analyze

    progress = Progress(told, "analysing")
    card, setup = folder.card(recording_id), folder.setup(recording_id)

    def run(**weighed: Any) -> Analysis:
        made = analyze(folder.of(recording_id) / "store", setup, told=lambda stage, share: progress(
            ANALYSED * share, STAGES[stage]), **weighed)  # fmt: skip
        recording = replace(made.recording, path=card.name)
        return replace(made, recording=recording, setup_path=None if setup is None else setup.name)

    if not card.case:
        return run()
    from witnessmark.workbench.work_case import analysed_for_case

    return analysed_for_case(folder, card, run, told, cases)


def write(folder: Folder, recording_id: str, analysis: Analysis, told: Tell) -> None:
    """The analysis and the views of a recording: from then on it is ready. The report follows."""
    from witnessmark.console import dumped
    from witnessmark.report.analysis_json import analysis_json
    from witnessmark.workbench.teeth import save_teeth
    from witnessmark.workbench.views import views_of

    place = folder.of(recording_id)
    told({"stage": "analysing", "share": 0.95, "said": "drawing the pictures"})
    (place / "report.html").unlink(missing_ok=True)
    save_teeth(place / "teeth.npz", analysis)
    views = views_of(analysis, folder.card(recording_id).name)
    folder.write(recording_id, "views.json", json.dumps(views, allow_nan=False))
    folder.write(recording_id, "analysis.json", dumped(analysis_json(analysis)))
    told({"stage": "ready", "share": 1.0, "verdict": views["verdict"]})


def write_report(folder: Folder, recording_id: str, analysis: Analysis) -> None:
    """The report, which nobody waits for while its figures are drawn."""
    from witnessmark.report.html import report_html

    folder.write(recording_id, "report.html", report_html(analysis))


def do(task: Task) -> int:
    """Do a task and give the exit status: 2 the recording's fault, 1 a fault of the program, each said in one line."""
    folder = Folder(Path(task.root))
    if task.what == "compare":
        return _compare(folder, task)
    try:
        if task.what == "report":
            analysis = analysed(folder, task.id, lambda _: None, task.cases)
        else:
            analysis = make(folder, task.id, cases=task.cases)
        write_report(folder, task.id, analysis)
        return 0
    except WitnessmarkError as error:
        return _failed(task, folder, _named(folder, task.id, str(error)), 2)
    except MemoryError:
        said = f"the memory of {limited_to() / 1e9:.1f} GB is not enough for it; cut out the stretch that matters"
        return _failed(task, folder, said, 2)
    except Exception as error:  # a fault of ours must not take the bench with it
        import traceback

        folder.write(task.id, "trouble.txt", traceback.format_exc())
        said = f"a fault of the program ({type(error).__name__}), kept in trouble.txt beside the recording; report it"
        return _failed(task, folder, said, 1)


def _compare(folder: Folder, task: Task) -> int:
    """Hold two recordings against each other; what is wrong is told, as no card can say it."""
    from witnessmark.workbench.work_case import compared

    try:
        compared(folder, task.id, task.asked, tell, task.cases)
        tell({"wrong": ""})
        return 0
    except WitnessmarkError as error:
        tell({"wrong": folder.without_places(str(error))})
        return 2
    except MemoryError:
        tell({"wrong": f"the memory of {limited_to() / 1e9:.1f} GB is not enough; cut out the stretches that matter"})
        return 2


def _failed(task: Task, folder: Folder, said: str, status: int) -> int:
    if folder.card(task.id).stage != "ready":  # else only the report was not made
        tell({"stage": "failed", "share": 1.0, "said": said})
    return status


def _named(folder: Folder, recording_id: str, text: str) -> str:
    """An error with the recording's own name in the place of where it lies here."""
    card: Card = folder.card(recording_id)
    store, original = folder.of(recording_id) / "store", folder.original(card)
    for place in (store, store.absolute(), original, original.absolute()):
        text = text.replace(str(place), card.name)
    return folder.without_places(text)


def load() -> None:
    """Load what an analysis needs."""
    from witnessmark import startup
    from witnessmark.console import place_for_compiled_code

    place_for_compiled_code()
    with startup.quick_imports():
        import witnessmark.pipeline
        import witnessmark.recording.store_import
        import witnessmark.report.analysis_json
        import witnessmark.report.compose
        import witnessmark.workbench.teeth
        import witnessmark.workbench.views  # noqa: F401


def end_with_server() -> None:
    """End as soon as nobody holds the other end of standard input."""

    def wait() -> None:
        sys.stdin.buffer.read()
        os._exit(SERVER_GONE)

    threading.Thread(target=wait, daemon=True).start()


def main() -> None:
    """Wait for a task and do it."""
    limit_memory()
    load()
    line = sys.stdin.buffer.readline()
    if not line:
        return
    end_with_server()
    status = 1
    try:
        status = do(Task(**json.loads(line)))
        sys.stdout.flush()
    except Exception as error:  # the disk is full, or the recording was removed from under it
        said = (
            f"what was made of it could not be kept ({type(error).__name__}); look at the disk, then analyse it again"
        )
        tell({"stage": "failed", "share": 1.0, "said": said})
    finally:
        os._exit(status)  # the thread that waits for the server holds standard input


if __name__ == "__main__":
    main()

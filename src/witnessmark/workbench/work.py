"""The process that imports and analyses one recording: ``python -m witnessmark.workbench.work ROOT ID``.

It tells how far it is as one JSON object a line on standard output; the server reads them and writes the card.
Killed at any moment it leaves no store that could be taken for a whole one, and the recording can be taken up again.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from witnessmark.errors import WitnessmarkError
from witnessmark.workbench.folder import Folder

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis


def tell(stage: str, share: float, said: str = "") -> None:
    """One line for the server."""
    print(json.dumps({"stage": stage, "share": round(share, 3), "said": said}), flush=True)


def make(folder: Folder, recording_id: str) -> Analysis:
    """Import where there is no store yet, analyse, and write everything the pages show."""
    from witnessmark.pipeline import analyze
    from witnessmark.recording.store_import import import_recording

    card = folder.card(recording_id)
    place = folder.of(recording_id)
    store = place / "store"
    if not (store / "recording.json").exists():
        shutil.rmtree(store, ignore_errors=True)
        import_recording(folder.original(card), store, None, lambda share: tell("importing", share))
    tell("analysing", 0.0)
    analysis = analyze(store, folder.setup(recording_id))
    tell("analysing", 0.7)
    write(folder, recording_id, analysis)
    tell("analysing", 1.0)
    return analysis


def write(folder: Folder, recording_id: str, analysis: Analysis) -> None:
    """The analysis, the views and the report of a recording."""
    from witnessmark.console import dumped
    from witnessmark.report.analysis_json import analysis_json
    from witnessmark.report.html import report_html
    from witnessmark.workbench.teeth import save_teeth
    from witnessmark.workbench.views import views_of

    place = folder.of(recording_id)
    save_teeth(place / "teeth.npz", analysis)
    folder.write(recording_id, "analysis.json", dumped(analysis_json(analysis)))
    folder.write(
        recording_id, "views.json", json.dumps(views_of(analysis, folder.card(recording_id).name), allow_nan=False)
    )
    folder.write(recording_id, "report.html", report_html(analysis))


def main() -> None:
    """Run as a process of its own. Exit status 2: the recording's fault, said in the last line."""
    root, recording_id = sys.argv[1:3]
    try:
        make(Folder(Path(root)), recording_id)
    except WitnessmarkError as error:
        tell("failed", 1.0, str(error))
        sys.exit(2)
    tell("ready", 1.0)


if __name__ == "__main__":
    main()

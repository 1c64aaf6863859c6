"""The data folder: everything the workbench keeps beside the database of cases. No path leaves it.

recordings/ID/card.json      what it is, where it came from, how far it is
              upload/NAME    the file as it was dropped
              store/         its working store
              setup.toml     what was told of it, if anything
              analysis.json  the analysis as the contract has it
              views.json     what the pictures are drawn from
              teeth.npz      time and crank angle of every decoded tooth
              report.html    the report
state/                       what pages show, by topic
.passing-*                   what only passes through: a photo on its way in, a zip on its way out
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import tempfile
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from witnessmark import output
from witnessmark.errors import BadWorkbench

ALPHABET = "23456789abcdefghjkmnpqrstuvwxyz"  # no 0 o, 1 l i: ids are read aloud in a workshop
ID_FORM = re.compile(f"[{ALPHABET}]{{8}}")
LONGEST_NAME = 200  # bytes: file systems take 255, and a copy beside it needs a longer one
Stage = Literal["arriving", "waiting", "importing", "analysing", "ready", "failed", "stopped", "removed"]
DONE = frozenset({"ready", "failed", "stopped", "removed"})
PATH = re.compile(r"(?<![\w/])(?:[A-Za-z]:\\|/)(?:[^\s/\\:'\"]+[/\\])+")  # folders before a name


@dataclass(frozen=True)
class Card:
    """A recording on the bench. ``said``: a line for people (why it failed, what it waits for).

    share: how far the present stage is, 0 to 1. case, entry: the case it belongs to, and its number in the log once it
    is entered. by: who wants the analysis in hand entered there; empty where it is only looked at. note: what to enter
    with it. source: where it lies, where it was not dropped; never shown.
    """

    id: str
    name: str
    at_utc: str
    stage: Stage = "arriving"
    share: float = 0.0
    said: str = ""
    case: str = ""
    entry: int | None = None
    source: str = ""
    verdict: str = ""
    by: str = ""
    note: str = ""

    @property
    def done(self) -> bool:
        """Whether nothing more happens by itself."""
        return self.stage in DONE

    @property
    def began_s(self) -> float:
        """When it came, in s since 1970."""
        return datetime.fromisoformat(self.at_utc).timestamp()


def shown_card(card: Card) -> dict[str, Any]:
    """A card as pages get it: not where the recording lies on this machine."""
    return {k: v for k, v in asdict(card).items() if k not in ("source", "by")}


def new_id() -> str:
    """A random id, as a case has one."""
    return "".join(secrets.choice(ALPHABET) for _ in range(8))


def safe_name(given: str) -> str:
    """A dropped file's own name, without any folder and without what a file system may not hold."""
    name = given.replace("\\", "/").rsplit("/", 1)[-1]
    name = re.sub(r"[\x00-\x1f\x7f<>:\"|?*]", "_", name).strip(". ")
    # the end stays, where the suffix is; half a letter that was cut, or one that is none, is dropped
    return name.encode(errors="ignore")[-LONGEST_NAME:].decode(errors="ignore").strip(". ") or "recording"


@dataclass(frozen=True)
class Folder:
    """The data folder at ``root``."""

    root: Path

    def of(self, recording_id: str) -> Path:
        """Folder of a recording. BadWorkbench where the id has not the form of one."""
        if not ID_FORM.fullmatch(recording_id):
            raise BadWorkbench(f"{recording_id[:40]}: no recording has such an id")
        place = self.root / "recordings" / recording_id
        if place.is_symlink():  # no path leaves the data folder
            raise BadWorkbench(f"{recording_id}: is a link to elsewhere and not used; put the folder itself there")
        return place

    def card(self, recording_id: str) -> Card:
        """The card of a recording; BadWorkbench where there is none."""
        try:
            text = (self.of(recording_id) / "card.json").read_text(encoding="utf-8")
            return Card(**json.loads(text))
        except (OSError, ValueError, TypeError):
            raise BadWorkbench(f"{recording_id[:40]}: no such recording on this bench") from None

    def cards(self) -> tuple[Card, ...]:
        """All recordings, the last that came first."""
        made: list[Card] = []
        for place in (self.root / "recordings").glob("*/card.json"):
            try:
                made.append(self.card(place.parent.name))
            except BadWorkbench:
                continue
        return tuple(sorted(made, key=lambda c: c.at_utc, reverse=True))

    def begin(self, name: str, case: str = "", source: str = "", by: str = "", note: str = "") -> Card:
        """A place for a new recording."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        card = Card(new_id(), safe_name(name), now, case=case, source=source, by=by, note=note)
        (self.of(card.id) / "upload").mkdir(parents=True)
        return self.keep(card)

    def keep(self, card: Card, **changes: Any) -> Card:
        """Write a card, whole or not at all."""
        card = replace(card, **changes)
        self.write(card.id, "card.json", json.dumps(asdict(card), indent=1))
        return card

    def write(self, recording_id: str, name: str, text: str) -> None:
        """Write a file of a recording, whole or not at all."""
        output.write_all({str(self.of(recording_id) / name): text})

    def read_json(self, recording_id: str, name: str) -> Any:
        """A JSON file of a recording; BadWorkbench where it is not there (yet)."""
        try:
            return json.loads((self.of(recording_id) / name).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            raise BadWorkbench(f"{recording_id}: has no {name} yet; wait until it is analysed") from None

    def remove(self, recording_id: str) -> None:
        """Remove a recording and all that was made of it; one that lies elsewhere stays where it is."""
        place = self.of(recording_id)
        (place / "card.json").unlink(missing_ok=True)  # first: what has no card is no recording
        shutil.rmtree(place, ignore_errors=True)

    def clear_unfinished(self, recording_id: str) -> None:
        """Remove what a killed import left."""
        for left in self.of(recording_id).glob(".*.unfinished-*"):
            shutil.rmtree(left, ignore_errors=True)

    def passing(self) -> tempfile.TemporaryDirectory[str]:
        """A folder for what only passes through. What a killed server leaves of it is swept."""
        return tempfile.TemporaryDirectory(prefix=".passing-", dir=self.root)

    def sweep(self) -> None:
        """Remove what a killed server left: files half written or passing through, and folders that got no card."""
        for place in (self.root / "recordings").glob("*"):
            if ID_FORM.fullmatch(place.name) and not (place / "card.json").exists():
                shutil.rmtree(place, ignore_errors=True)
        half = (*(self.root / "recordings").glob("*/.*"), *(self.root / "state").glob(".*"))
        for left in (*half, *self.root.glob(".passing-*")):
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)

    def without_places(self, text: str) -> str:
        """A line without any place on this machine: of each path only the name at its end."""
        for place in {str(self.root.resolve()), str(self.root.absolute()), str(self.root)}:
            text = re.sub(re.escape(place) + r"[/\\](?:recordings[/\\]\w{8}[/\\](?:upload[/\\])?)?", "", text)
        return PATH.sub("", text)

    def original(self, card: Card) -> Path:
        """The recording's file as it came."""
        return Path(card.source) if card.source else self.of(card.id) / "upload" / card.name

    def setup(self, recording_id: str) -> Path | None:
        """What was told of a recording; None where nothing was."""
        place = self.of(recording_id) / "setup.toml"
        return place if place.exists() else None

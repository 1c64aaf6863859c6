"""The analysis as a whole, and the document made of it (renderer-neutral)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from witnessmark.causes.model import Verdict
from witnessmark.engine.model import EngineResult
from witnessmark.findings.model import Findings
from witnessmark.provenance import Step
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Signals
from witnessmark.spans import Evidence
from witnessmark.wheel.model import WheelResult


@dataclass(frozen=True)
class Whereabouts:
    """Where to look for one suspect slot.

    angle_from_slot1_deg: crank angle of the suspect tooth after slot 1. bar_deg degrees to bar the engine in its
    normal direction, from ``reference`` (in words: "slot 1 under the sensor", "cylinder 1 at TDC"), until the suspect
    stands in the sensor hole. angle_atdc_deg: crank angle after cylinder 1's TDC at which it stands there, or None.
    instead_of: the slot it may be instead of, where the record leaves open which of the two is wrong.
    """

    slot: int
    angle_from_slot1_deg: float
    guides: tuple[tuple[str, float], ...]  # (reference in words, degrees to bar in normal direction)
    angle_atdc_deg: float | None
    instead_of: int | None = None


@dataclass(frozen=True)
class Analysis:
    """Results of every stage for one recording.

    in_motion: False where no line shows rotation, None where lines move that need not mean it.
    """

    recording: Recording
    setup: Setup
    setup_path: str | None
    signals: Signals
    wheel: WheelResult
    engine: EngineResult
    findings: Findings
    verdict: Verdict
    whereabouts: tuple[Whereabouts, ...]
    cautions: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    in_motion: bool | None = True


@dataclass(frozen=True)
class Sentence:
    """A sentence of the report with what it rests on: finding ids and stretches of the recording.

    A sentence about the record as a whole, or a caution, carries ``basis`` saying so instead of findings.
    """

    text: str
    findings: tuple[str, ...] = ()
    ranges: tuple[Evidence, ...] = ()
    basis: Literal["finding", "record", "knowledge", "measurement"] = "finding"


@dataclass(frozen=True)
class Picture:
    """A figure with the sentence that says what it shows. ``svg`` is self-contained."""

    id: str
    svg: str
    caption: Sentence


@dataclass(frozen=True)
class Table:
    """A table; cells are text. ``marked`` rows are the suspects."""

    id: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: tuple[int, ...] = ()
    caption: str = ""


@dataclass(frozen=True)
class Section:
    """A part of the document, in order."""

    id: str
    title: str
    sentences: tuple[Sentence, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Document:
    """The report, ready for any renderer."""

    title: str
    verdict: Sentence
    sections: tuple[Section, ...]
    facts: dict[str, str] = field(default_factory=dict)

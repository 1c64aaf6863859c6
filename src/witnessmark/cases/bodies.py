"""What an entry of a case's log can say: one frozen class for each kind.

``FIXED`` names what a correction may not touch (what other entries and files hang on; to change it, withdraw the entry
and make a new one); a class with ``FIXED = None`` takes no correction. ``rests_on``: numbers of the entries it is
worthless without. Everything is checked when it is made from JSON (:mod:`witnessmark.cases.codec`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field, JsonValue

from witnessmark.cases.words import Code, Count, Hash, MaskedVin, Number, Said, Share, Text

STRICT = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Base:
    """Common to all bodies."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT
    FIXED: ClassVar[frozenset[str] | None] = frozenset()

    def rests_on(self) -> tuple[int, ...]:
        """Numbers of the entries without which this one says nothing."""
        return ()

    def files(self) -> tuple[str, ...]:
        """Hashes of the files that belong to it."""
        return ()


@dataclass(frozen=True, slots=True)
class CauseLine:
    """One cause of an analysis, as its JSON gives it."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    id: Text
    probability: Share
    statement: Text
    because: tuple[str, ...] = ()
    target: int | str | None = None
    with_: Text | None = None


@dataclass(frozen=True, slots=True)
class FindingLine:
    """One finding of an analysis, comparison or snapshot.

    became: what a comparison says of it, else empty. snapshot: in an analysis, the entry of the snapshot it is from.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    id: Text
    kind: Text
    statement: Text
    confidence: Share
    channel: Text = ""
    slot: int | None = None
    cylinder: int | None = None
    became: Text = ""
    because: Text = ""
    snapshot: Number | None = None


@dataclass(frozen=True, slots=True)
class Possible:
    """What a test may show, and what follows from it."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    result: Text
    then: Text


@dataclass(frozen=True, slots=True)
class ProposedTest:
    """One test an analysis proposes."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    id: Text
    statement: Text
    why: Text
    minutes: Count
    outcomes: tuple[Possible, ...] = ()
    cautions: tuple[Text, ...] = ()


@dataclass(frozen=True, slots=True)
class Opened(Base):
    """The job as it came in. ``vin_file``: the sealed vehicle number (private file); ``vin`` shows it masked."""

    complaint: Said
    vehicle: Text = ""
    customer: Text = ""
    codes: tuple[Code, ...] = ()
    vin: MaskedVin = ""
    vin_file: Hash | None = None

    def files(self) -> tuple[str, ...]:
        """The sealed vehicle number."""
        return () if self.vin_file is None else (self.vin_file,)


@dataclass(frozen=True, slots=True)
class Observation(Base):
    """What somebody saw, heard, felt or measured by hand; with ``test`` and ``outcome`` where it answers a test."""

    text: Said
    test: Text = ""
    outcome: Text = ""


@dataclass(frozen=True, slots=True)
class Work(Base):
    """A part fitted or work done. ``earlier``: before this case was opened. ``when``: in words or a date."""

    what: Literal["part", "work"]
    text: Said
    part_number: Text = ""
    when: Text = ""
    who: Text = ""
    earlier: bool = False


@dataclass(frozen=True, slots=True)
class RecordingAdded(Base):
    """A recording on disk: where it lies, the hash of its content, and the setup used (kept as a file, VIN masked)."""

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"sha256", "size_bytes", "setup_file"})

    path: Said
    sha256: Hash
    size_bytes: Count
    note: Text = ""
    setup_path: Text = ""
    setup_file: Hash | None = None

    def files(self) -> tuple[str, ...]:
        """The setup."""
        return () if self.setup_file is None else (self.setup_file,)


@dataclass(frozen=True, slots=True)
class Analysed(Base):
    """What the analysis of a recording said; ``file`` is the whole of it as JSON.

    weighed: entries of what was seen by hand that it took in. closed_cases: how many of the others moved priors.
    scanned: entries of the snapshots it took in. closed_since: the reset of the priors (UTC) after which those cases
    were closed; empty where none held.
    """

    FIXED: ClassVar[frozenset[str] | None] = None

    recording: Number
    file: Hash
    program: Said
    causes: tuple[CauseLine, ...] = ()
    findings: tuple[FindingLine, ...] = ()
    next_tests: tuple[ProposedTest, ...] = ()
    what_would_change: Text = ""
    cautions: tuple[Text, ...] = ()
    weighed: tuple[Number, ...] = ()
    closed_cases: Count = 0
    scanned: tuple[Number, ...] = ()
    closed_since: Text = ""

    def rests_on(self) -> tuple[int, ...]:
        """The recording, and the snapshots weighed with it."""
        return (self.recording, *self.scanned)

    def files(self) -> tuple[str, ...]:
        """The analysis as JSON."""
        return (self.file,)


@dataclass(frozen=True, slots=True)
class Photo(Base):
    """A picture, as it came from the camera or borescope, with what it shows."""

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"file", "media_type"})

    name: Said
    file: Hash
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    note: Said

    def files(self) -> tuple[str, ...]:
        """The picture."""
        return (self.file,)


@dataclass(frozen=True, slots=True)
class Snapshot(Base):
    """Codes and live data read from the vehicle, as a JSON document (vehicle numbers in it are masked).

    findings: what it tells, where it is a snapshot as scan writes it. A document of another form tells its codes only.
    """

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"file", "schema", "findings"})

    name: Said
    file: Hash
    schema: Text = ""
    codes: tuple[Code, ...] = ()
    note: Text = ""
    findings: tuple[FindingLine, ...] = ()

    def files(self) -> tuple[str, ...]:
        """The document."""
        return (self.file,)


@dataclass(frozen=True, slots=True)
class ChosenTest(Base):
    """The test to be done next and why. ``cautions`` go with it wherever it is shown."""

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"test", "analysis"})

    test: Said
    statement: Said
    why: Text = ""
    outcomes: tuple[Possible, ...] = ()
    cautions: tuple[Text, ...] = ()
    analysis: Number | None = None

    def rests_on(self) -> tuple[int, ...]:
        """The analysis that proposed it, if one did."""
        return () if self.analysis is None else (self.analysis,)


@dataclass(frozen=True, slots=True)
class Outcome(Base):
    """What a chosen test showed. ``then``: what follows, where the result is one the test foresees."""

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"chosen"})

    chosen: Number
    result: Said
    then: Text = ""
    note: Text = ""

    def rests_on(self) -> tuple[int, ...]:
        """The choice."""
        return (self.chosen,)


@dataclass(frozen=True, slots=True)
class Decision(Base):
    """What was decided, and the entries it was decided on (if one of them is withdrawn, the decision says so)."""

    text: Said
    because: tuple[Number, ...] = ()


@dataclass(frozen=True, slots=True)
class Disabled(Base):
    """Something unplugged, pulled, bridged or switched off that must be put back before the vehicle leaves."""

    item: Said
    why: Text = ""


@dataclass(frozen=True, slots=True)
class Restored(Base):
    """Confirmation that one disabled item is back as it was."""

    FIXED: ClassVar[frozenset[str] | None] = frozenset({"disabled"})

    disabled: Number
    how: Text = ""

    def rests_on(self) -> tuple[int, ...]:
        """What was disabled."""
        return (self.disabled,)


@dataclass(frozen=True, slots=True)
class StartLine:
    """The starts of one recording: how many, how many ran, medians of the rest."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    attempts: Count
    started: Count
    turns_to_sync: float | None = None
    cranking_rpm: float | None = None
    time_to_run_s: float | None = None


@dataclass(frozen=True, slots=True)
class Verified(Base):
    """Recordings before and after the repair held against each other; ``file`` is the comparison as JSON."""

    FIXED: ClassVar[frozenset[str] | None] = None

    before: Number
    after: Number
    file: Hash
    overall: Said
    statement: Said
    findings: tuple[FindingLine, ...] = ()
    starts: tuple[StartLine, StartLine] | None = None
    cautions: tuple[Text, ...] = ()

    def rests_on(self) -> tuple[int, ...]:
        """Both recordings."""
        return (self.before, self.after)

    def files(self) -> tuple[str, ...]:
        """The comparison."""
        return (self.file,)


@dataclass(frozen=True, slots=True)
class Closed(Base):
    """The end of the job. ``cause``: what it was, by the closed list of causes, where that was proven."""

    text: Said
    cause: Text = ""
    target: Text = ""


@dataclass(frozen=True, slots=True)
class Reopened(Base):
    """The vehicle is back, or something was forgotten."""

    why: Said


@dataclass(frozen=True, slots=True)
class Correction(Base):
    """Other words for an entry: ``changes`` holds the new value of each changed field. The entry itself stays."""

    FIXED: ClassVar[frozenset[str] | None] = None

    entry: Number
    changes: Annotated[dict[str, JsonValue], Field(min_length=1)]
    why: Said

    def rests_on(self) -> tuple[int, ...]:
        """What it corrects."""
        return (self.entry,)

    def files(self) -> tuple[str, ...]:
        """A sealed vehicle number that takes the place of another."""
        sealed = self.changes.get("vin_file")
        return (sealed,) if isinstance(sealed, str) else ()


@dataclass(frozen=True, slots=True)
class Retraction(Base):
    """An entry is withdrawn: it stays to be read and counts no more. A retraction can be withdrawn, too."""

    FIXED: ClassVar[frozenset[str] | None] = None

    entry: Number
    why: Said


Body = (
    Opened | Observation | Work | RecordingAdded | Analysed | Photo | Snapshot | ChosenTest | Outcome | Decision
    | Disabled | Restored | Verified | Closed | Reopened | Correction | Retraction
)  # fmt: skip

KINDS: dict[str, type[Body]] = {
    "opened": Opened,
    "observation": Observation,
    "work": Work,
    "recording": RecordingAdded,
    "analysis": Analysed,
    "photo": Photo,
    "snapshot": Snapshot,
    "test": ChosenTest,
    "outcome": Outcome,
    "decision": Decision,
    "disabled": Disabled,
    "restored": Restored,
    "verification": Verified,
    "closed": Closed,
    "reopened": Reopened,
    "correction": Correction,
    "retraction": Retraction,
}
KIND_OF: dict[type, str] = {cls: kind for kind, cls in KINDS.items()}

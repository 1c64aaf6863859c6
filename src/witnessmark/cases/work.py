"""What goes into a case with a file: recordings with their analysis, photos, snapshots; and the test to do next."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnessmark.cases import codec
from witnessmark.cases.bodies import (
    Analysed,
    Body,
    CauseLine,
    ChosenTest,
    FindingLine,
    Observation,
    Outcome,
    Photo,
    Possible,
    ProposedTest,
    RecordingAdded,
    Snapshot,
)
from witnessmark.cases.model import Attachment, Case
from witnessmark.cases.store import LARGEST_FILE, attachment
from witnessmark.cases.vin import without_vins
from witnessmark.cases.words import is_code
from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.engines import EngineFacts
from witnessmark.causes.listing import plain
from witnessmark.causes.observations import observation
from witnessmark.errors import BadCase
from witnessmark.recording.content import content_hash, content_size
from witnessmark.report.model import Analysis
from witnessmark.scan.vin import masked

if TYPE_CHECKING:
    from witnessmark.scan.model import Engine, ScanSnapshot

JSON, TOML = "application/json", "application/toml"
FINDINGS_SCHEMA = "witnessmark.scan-findings/1"  # what scan show writes: a snapshot with what it tells
# First bytes of a picture (published: ISO/IEC 10918-1 JPEG start of image, ISO/IEC 15948 PNG signature, RFC 9649 WebP).
PICTURES = (
    (re.compile(rb"\xff\xd8\xff"), "image/jpeg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), "image/png"),
    (re.compile(rb"RIFF....WEBP", re.S), "image/webp"),
)
# What a case takes up of a long analysis; the whole of it is its file.
MOST_LINES = 60
VIN_VALUE = re.compile(r"""(\bvin["']?\s*=\s*)("(?:[^"\\\n]|\\.)*"|'[^'\n]*')""")  # in TOML
Analyse = Callable[[str, str | None], Analysis]


# ---- files


def read_file(path: str, most: int = LARGEST_FILE) -> bytes:
    """A file's bytes; BadCase of one line where it cannot be read or is larger than ``most``."""
    try:
        if os.path.isdir(path):
            raise BadCase(f"{path}: is a folder; give a file")
        with open(path, "rb") as file:
            data = file.read(most + 1)
    except (OSError, ValueError) as error:
        raise BadCase(f"{path}: {_reason(error)}; check the name and its rights") from None
    if len(data) > most:
        raise BadCase(f"{path}: larger than {most} bytes; make it smaller")
    if not data:
        raise BadCase(f"{path}: is empty; give another file")
    return data


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).lower()


def content_of(path: str) -> tuple[str, int]:
    """(SHA-256, bytes) of a recording's content; BadCase where it cannot be read."""
    try:
        return content_hash(path)
    except (OSError, ValueError) as error:
        raise BadCase(f"{path}: {_reason(error)}; check the name and its rights") from None


def size_of(path: str) -> int:
    """Bytes of a recording's content; BadCase where it cannot be reached."""
    try:
        return content_size(path)
    except (OSError, ValueError) as error:
        raise BadCase(f"{path}: {_reason(error)}; check the name and its rights") from None


# ---- recordings


@dataclass(frozen=True)
class Recorded:
    """A recording and its analysis, ready to enter a log; ``after(n)`` gives the bodies that follow entry n."""

    recording: RecordingAdded
    analysed: Analysed
    files: tuple[Attachment, ...]
    analysis: Analysis

    def after(self, last: int) -> tuple[Body, Body]:
        """The two entries, the analysis naming the recording by the number it gets."""
        return self.recording, replace(self.analysed, recording=last + 1)


def recorded(
    path: str,
    setup_path: str | None,
    note: str,
    analyse: Analyse,
    setup_name: str = "",
    weighed: tuple[int, ...] = (),
) -> Recorded:
    """Analyse a recording for a case. Raises what the analysis raises of a bad recording or setup.

    ``setup_name``: how to call the setup, where ``setup_path`` is only a copy of it. ``weighed``: the entries of what
    was seen by hand that ``analyse`` takes in.
    """
    analysis = analyse(path, setup_path)
    sha256, size = content_of(path)
    setup = None if setup_path is None else _setup_file(setup_path)
    named = setup_name or setup_path
    setup_hash = None if setup is None else setup.sha256
    added = RecordingAdded(os.path.abspath(path), sha256, size, note, named or "", setup_hash)
    body, whole = analysed(replace(analysis, setup_path=named), path)
    body = replace(body, weighed=weighed, closed_cases=sum(p.cases for p in analysis.verdict.priors))
    return Recorded(added, body, (whole,) if setup is None else (whole, setup), analysis)


def _setup_file(path: str) -> Attachment:
    """The setup as it was used, its vehicle number masked (which a setup may hold)."""
    text = read_file(path).decode("utf-8-sig", errors="replace")
    vin = tomllib.loads(text).get("vehicle", {}).get("vin")
    return attachment((_without_number(text, vin, path) if vin else text).encode(), TOML, path)


def _without_number(text: str, vin: str, path: str) -> str:
    """A setup's text with the vehicle number masked. BadCase where it stands in it in any other way, as by escapes."""
    hidden = masked(vin)
    if vin == hidden:
        return text  # the setup of a case, used again
    text = re.sub(re.escape(vin), hidden, VIN_VALUE.sub(rf'\g<1>"{hidden}"', text), flags=re.IGNORECASE)
    try:
        left = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        left = {}
    told = codec.canonical(left).upper()
    if left.get("vehicle", {}).get("vin") != hidden or vin.upper() in told:
        raise BadCase(f'{path}: the vehicle number cannot be masked; write it as vin = "..." on a line of its own, '
                      "without escapes, and nowhere else")  # fmt: skip
    return text


def analysed(analysis: Analysis, path: str) -> tuple[Analysed, Attachment]:
    """What a case takes up of an analysis, and the whole of it as JSON, the vehicle number masked."""
    from witnessmark.report.analysis_json import analysis_json

    data = without_vins(analysis_json(analysis))
    whole = attachment(json_bytes(data), JSON, f"analysis of {path}")
    body = Analysed(
        1,
        whole.sha256,
        f"{data['program']['name']} {data['program']['version']}",
        tuple(_cause(c) for c in data["causes"][:MOST_LINES]),
        tuple(finding_line(f) for f in data["findings"][:MOST_LINES]),
        tuple(_test(t) for t in data["next_tests"][:MOST_LINES]),
        data["what_would_change"] or "",
        tuple(data["cautions"]),
    )
    return body, whole


def json_bytes(data: Any) -> bytes:
    """JSON data as a file of a case holds it."""
    return (json.dumps(data, indent=1, allow_nan=False) + "\n").encode()


def _cause(c: dict[str, Any]) -> CauseLine:
    return CauseLine(c["id"], float(c["probability"]), c["statement"], tuple(c["because"]), c["target"], c["with"])


def finding_line(f: dict[str, Any], became: str = "", because: str = "") -> FindingLine:
    """A finding of an analysis or comparison, from its JSON."""
    return FindingLine(f["id"], f["kind"], f["statement"], float(f["confidence"]), f.get("channel") or "",
                       f.get("slot"), f.get("cylinder"), became, because)  # fmt: skip


def _test(t: dict[str, Any]) -> ProposedTest:
    outcomes = tuple(Possible(o["result"], o["then"]) for o in t["outcomes"])
    return ProposedTest(t["id"], t["statement"], t["why"], int(t["minutes"]), outcomes, tuple(t["cautions"]))


# ---- photos and snapshots


def photo(path: str, note: str) -> tuple[Photo, Attachment]:
    """A picture with what it shows; BadCase where it is no JPEG, PNG or WebP."""
    data = read_file(path)
    media_type = next((kind for begins, kind in PICTURES if begins.match(data)), None)
    if media_type is None:
        raise BadCase(f"{path}: no picture that can be kept, expected JPEG, PNG or WebP; save it as one of them")
    file = attachment(data, media_type, path)
    return Photo(os.path.basename(path), file.sha256, media_type, note), file  # type: ignore[arg-type]


def snapshot(path: str, note: str, engine: Engine | None = None) -> tuple[Snapshot, Attachment]:
    """Codes and live data, its vehicle numbers masked: with what it tells, where scan reads it.

    A log of the bus or a typed-in file is kept as the snapshot that scan makes of it. Of a JSON document of another
    form only the trouble codes in it are listed. ``engine``: what it did meanwhile, as the user says.
    """
    from witnessmark.scan.logs import SUFFIXES
    from witnessmark.scan.model import SCHEMA
    from witnessmark.scan.open import open_snapshot
    from witnessmark.scan.snapshot_json import snapshot_json

    name = os.path.basename(path)
    if Path(path).suffix.lower() in (*SUFFIXES, ".toml"):
        said: ScanSnapshot | None = open_snapshot(path, engine)
    else:
        data = _document(path)
        said = read_back(data, path) if data.get("schema") in (SCHEMA, FINDINGS_SCHEMA) else None
        if said is not None and engine is not None:
            said = replace(said, source=replace(said.source, engine=engine))
    if said is not None:
        data = snapshot_json(said)
    file = attachment(json_bytes(without_vins(data)), JSON, path)
    codes = tuple(dict.fromkeys(_codes(data)))[:MOST_LINES]
    found = () if said is None else findings_of(said)
    return Snapshot(name, file.sha256, str(data.get("schema") or ""), codes, note, found), file


def _document(path: str) -> dict[str, Any]:
    try:
        data = json.loads(read_file(path).decode("utf-8-sig"), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise BadCase(f"{path}: no JSON ({str(error)[:80]}); give a snapshot as scan writes it") from None
    if not isinstance(data, dict):
        raise BadCase(f"{path}: expected a JSON object; give a snapshot as scan writes it")
    return data


def read_back(data: dict[str, Any], name: str) -> ScanSnapshot:
    """The snapshot of a JSON document, alone or with what was found in it; BadScan where it is none."""
    from witnessmark.scan.snapshot_json import snapshot_from

    inner = data.get("snapshot") if data.get("schema") == FINDINGS_SCHEMA else data
    return snapshot_from(json.dumps(inner), name)


def findings_of(said: ScanSnapshot) -> tuple[FindingLine, ...]:
    """What a snapshot tells, each in a line."""
    from witnessmark.report.analysis_json import finding_json
    from witnessmark.scan.judge import judge

    return tuple(finding_line(finding_json(f)) for f in judge(said).found[:MOST_LINES])


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _codes(data: Any) -> Iterator[str]:
    """Whatever stands in it that is a trouble code, in order."""
    if isinstance(data, str) and is_code(data):
        yield data
    elif isinstance(data, dict | list):
        for value in data.values() if isinstance(data, dict) else data:
            yield from _codes(value)


# ---- tests


def test_chosen(case: Case, test: str | None, statement: str, why: str) -> ChosenTest:
    """The test to do next: one the last analysis proposes (its first where no id is given), one of the catalogue by
    its id, or one in own words. Other words for a test that is known keep its cautions and outcomes.
    """
    made = case.of(Analysed)
    number, offered = (made[-1][0], made[-1][1].next_tests) if made else (None, ())
    first = case.proposed
    if test is None and not statement and first is not None:
        line: ProposedTest | None = first[1]
    else:
        line = next((t for t in offered if t.id == test), None)
    if line is not None:
        return ChosenTest(line.id, statement or line.statement, why or line.why, line.outcomes, line.cautions, number)
    row = None if test is None else next((t for t in load_knowledge().test if t.id == test), None)
    if row is not None:
        outcomes = tuple(Possible(o.result, o.then) for o in row.outcomes)
        cautions = load_knowledge().caution_texts(row.cautions, EngineFacts())
        return ChosenTest(row.id, statement or plain(row.statement), why, outcomes, cautions)
    if statement:
        return ChosenTest(test or "own", statement, why)
    if test is None:
        done = "every test that its last analysis proposes is done" if offered else "its last analysis proposes no test"
        why = done if made else "no recording is analysed yet, so none is proposed"
        add = "" if made else "add one with case add recording, or "
        raise BadCase(f"case {case.id}: {why}; {add}name a test by its id (witnessmark tests), or say what to do "
                      "with --statement")  # fmt: skip
    known = ", ".join(t.id for t in offered) or "none"
    raise BadCase(f"case {case.id}: {test} is neither among the tests its last analysis proposes ({known}) nor in the "
                  "catalogue (witnessmark tests); name one or say what to do with --statement")  # fmt: skip


def observed(body: Observation) -> Observation:
    """What answers a test by hand, as it is noted; BadObservation with the test's outcomes where it has no such one.

    A test that is not in the catalogue takes any words: it is told and does not weigh.
    """
    if any(t.id == body.test.strip() for t in load_knowledge().test):
        observation(body.test, body.outcome, load_knowledge(), origin=f"--outcome {body.outcome}")
    return body


def outcome(case: Case, chosen: int, result: str, note: str) -> Outcome:
    """What a chosen test showed: in words, or by the number of the foreseen outcome."""
    test = next((t for n, t in case.of(ChosenTest) if n == chosen), None)
    foreseen = () if test is None else test.outcomes
    if result.isdecimal() and foreseen:
        if not 1 <= int(result) <= len(foreseen):
            raise BadCase(f"case {case.id}: test {chosen} foresees outcomes 1 to {len(foreseen)}; name one of them or "
                          "say in words what it showed")  # fmt: skip
        found = foreseen[int(result) - 1]
        return Outcome(chosen, found.result, found.then, note)
    return Outcome(chosen, result, next((p.then for p in foreseen if p.result == result), ""), note)

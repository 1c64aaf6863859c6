"""A case as one zip: a manifest with hashes, the log as JSON lines, the files. What is read of a zip is not trusted.

    manifest.json   schema, program, case, number of entries, head (hash of the last entry), SHA-256 of the log, files
    log.jsonl       one entry a line, in order, each with its hash and that of the entry before
    files/<sha256>  the content of a file

Private files (the sealed vehicle number) are left out unless asked for; the manifest says so.
"""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from typing import Annotated, Any, ClassVar, Final, Literal, NoReturn

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from witnessmark import __version__, output
from witnessmark.cases import codec
from witnessmark.cases.bodies import STRICT, Correction, Opened
from witnessmark.cases.fold import fold
from witnessmark.cases.model import Attachment, Case, Entry
from witnessmark.cases.store import ID_FORM, LARGEST_FILE, Cases
from witnessmark.cases.words import MOST_ENTRIES, Count, Hash, Number, Text
from witnessmark.errors import BadCase

SCHEMA: Final = "witnessmark.case/1"
MANIFEST, LOG, FILES = "manifest.json", "log.jsonl", "files/"
LARGEST_MANIFEST = 8 * 1024 * 1024  # bytes unpacked, as are the others; hundreds of times what a busy case has
LARGEST_LOG = 64 * 1024 * 1024
LARGEST_WHOLE = 2 * 1024**3
MOST_FILES = 2 * MOST_ENTRIES
_EPOCH = (1980, 1, 1, 0, 0, 0)  # of every member, so that the same case gives the same bytes
_FILE_NAME = re.compile(r"files/[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class FileLine:
    """One file of the manifest. ``left_out``: not in the zip, because it is private."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    sha256: Hash
    media_type: Annotated[str, Field(pattern=r"^[a-z0-9.+/-]{3,60}$")]
    size_bytes: Count
    private: bool = False
    left_out: bool = False


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a zip says of itself. Later versions may add fields."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="ignore", strict=True)

    schema: Literal["witnessmark.case/1"]
    case: Text
    entries: Number
    head: Hash
    log_sha256: Hash
    files: tuple[FileLine, ...]
    program: Text = ""


# ---- writing


def write_zip(store: Cases, case: Case, out: str, *, with_private: bool = False) -> None:
    """Write the case's zip, whole or not at all. ``with_private``: with the sealed vehicle number."""
    log = "".join(f"{_line(e.entry)}\n" for e in case.log).encode()
    lines: list[FileLine] = []
    room = LARGEST_WHOLE - _fits(case, LOG, len(log), LARGEST_LOG)
    with output.writing(out) as goal, zipfile.ZipFile(goal, "w") as archive:
        _put(archive, LOG, log)
        for sha256 in files_of(e.entry for e in case.log):
            file = store.file(case.id, sha256)
            if file is None:
                lines.append(FileLine(sha256, "application/octet-stream", 0, True, True))
                continue
            left_out = file.private and not with_private
            lines.append(FileLine(sha256, file.media_type, len(file.data), file.private, left_out))
            if not left_out:
                room -= _fits(case, f"file {sha256[:12]}", len(file.data), min(LARGEST_FILE, room))
                _put(archive, FILES + sha256, file.data)
        manifest = Manifest(SCHEMA, case.id, case.last, case.head, hashlib.sha256(log).hexdigest(), tuple(lines),
                            f"witnessmark {__version__}")  # fmt: skip
        told = (json.dumps(asdict(manifest), indent=1) + "\n").encode()
        _fits(case, MANIFEST, len(told), min(LARGEST_MANIFEST, room))
        _fits(case, "the number of files", 2 + sum(not line.left_out for line in lines), MOST_FILES)
        _put(archive, MANIFEST, told)


def _fits(case: Case, what: str, size: int, most: int) -> int:
    """The size, if an import takes it: what cannot be taken in again is not handed over."""
    if size > most:
        raise BadCase(f"case {case.id}: {what}: {size}, expected at most {most}: the zip could not be imported; copy "
                      "the database instead")  # fmt: skip
    return size


def _put(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    member = zipfile.ZipInfo(name, _EPOCH)
    member.external_attr = 0o644 << 16
    archive.writestr(member, data, zipfile.ZIP_DEFLATED)


def _line(e: Entry) -> str:
    return json.dumps({"number": e.number, "at_utc": e.at_utc, "by": e.by, "kind": e.kind, "body": json.loads(e.text),
                       "previous": e.previous, "hash": e.hash}, ensure_ascii=True)  # fmt: skip


def files_of(log: Any) -> tuple[str, ...]:
    """Hashes of all files that entries name, each once, in the order of the log."""
    return tuple(dict.fromkeys(sha256 for e in log for sha256 in e.body.files()))


# ---- reading


def import_zip(store: Cases, path: str) -> tuple[Case, int]:
    """Take the case of a zip in: (the case, number of new entries). BadCase of one line where anything is wrong.

    Everything is checked before anything is written, and written in one transaction: names, sizes as claimed and as
    found, hashes, the order and the sense of the log.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _import(store, archive, path)
    except BadCase:
        raise
    except FileNotFoundError:
        _refuse(path, "no such file; check the name")
    except IsADirectoryError:
        _refuse(path, "is a folder; give the zip that case export wrote")
    except PermissionError:
        _refuse(path, "no permission to read it; change its rights")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, UnicodeDecodeError, RuntimeError, OSError,
            OverflowError, ValueError) as error:  # fmt: skip
        _refuse(path, f"is damaged or no zip ({str(error)[:120] or type(error).__name__}); export the case again")


def _refuse(path: str, why: str) -> NoReturn:
    raise BadCase(f"{path}: {why}")


def _import(store: Cases, archive: zipfile.ZipFile, path: str) -> tuple[Case, int]:
    members = _members(archive, path)
    manifest = _manifest(_read(archive, members[MANIFEST], LARGEST_MANIFEST, path), path)
    log = _read(archive, members[LOG], LARGEST_LOG, path)
    if hashlib.sha256(log).hexdigest() != manifest.log_sha256:
        _refuse(path, "log.jsonl is not the one the manifest names (hash does not fit); export the case again")
    case = _log(log, manifest, path)
    there = {name.removeprefix(FILES) for name in members if name.startswith(FILES)}
    _same_files(case, manifest, there, path)
    private = _sealed(case)
    readers: list[Callable[[], Attachment]] = []
    for line in manifest.files:
        if not line.left_out:
            reader = partial(_file, archive, members[FILES + line.sha256], line, line.sha256 in private, path)
            reader()  # checked before anything is written, and read again in its turn: one file in memory at a time
            readers.append(reader)
    return store.merge([e.entry for e in case.log], readers)


def _members(archive: zipfile.ZipFile, path: str) -> dict[str, zipfile.ZipInfo]:
    """The members by name, if these are the ones a case has and claim no more than a case may."""
    infos = archive.infolist()
    if len(infos) > MOST_FILES:
        _refuse(path, f"{len(infos)} files in it, expected at most {MOST_FILES}; this is no export of a case")
    found: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        name = info.filename
        shown = ascii(name[:60])
        if name not in (MANIFEST, LOG) and not _FILE_NAME.fullmatch(name):
            _refuse(path, f"{shown} is no file of a case; this is no export of a case, or it was changed")
        if name in found:
            _refuse(path, f"{shown} is in it twice; it was changed: export the case again")
        if info.flag_bits & 0x1:
            _refuse(path, f"{shown} is encrypted; export the case again without a password")
        found[name] = info
    for name in (MANIFEST, LOG):
        if name not in found:
            _refuse(path, f"no {name} in it; this is no export of a case")
    claimed = sum(i.file_size for i in infos)
    if claimed > LARGEST_WHOLE:
        _refuse(path, f"claims {claimed} bytes unpacked, expected at most {LARGEST_WHOLE}; it is not read")
    return found


def _read(archive: zipfile.ZipFile, info: zipfile.ZipInfo, most: int, path: str) -> bytes:
    """A member's content, never more than ``most`` bytes of it whatever it claims."""
    if info.file_size > most:
        _refuse(path, f"{info.filename} claims {info.file_size} bytes, expected at most {most}; it is not read")
    with archive.open(info) as file:
        data = file.read(most + 1)
    if len(data) > most or len(data) != info.file_size:
        _refuse(path, f"{info.filename} is not as large as it claims; it was changed: export the case again")
    return data


def _manifest(data: bytes, path: str) -> Manifest:
    try:
        found = json.loads(data)
        if isinstance(found, dict) and str(found.get("schema", "")).startswith("witnessmark.case/") \
                and found["schema"] != SCHEMA:  # fmt: skip
            _refuse(path, f"written as {str(found['schema'])[:40]}, expected {SCHEMA}; update witnessmark")
        manifest = TypeAdapter(Manifest).validate_json(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        field = ".".join(str(p) for p in first["loc"]) or "the whole"
        _refuse(path, f"{MANIFEST}: {field[:80]}: {first['msg']}; export the case again")
    except (ValueError, RecursionError):
        _refuse(path, f"{MANIFEST} is no JSON; export the case again")
    if not ID_FORM.fullmatch(manifest.case):
        _refuse(path, f"{MANIFEST}: case: no id of a case; export the case again")
    return manifest


def _log(data: bytes, manifest: Manifest, path: str) -> Case:
    rows = data.decode("utf-8").removesuffix("\n").split("\n")
    if len(rows) != manifest.entries:
        _refuse(path, f"{len(rows)} entries in {LOG}, the manifest says {manifest.entries}; export the case again")
    case = fold(_entry(row, n, manifest.case, path) for n, row in enumerate(rows, 1))
    if case.head != manifest.head:
        _refuse(path, f"{LOG} does not end with the entry the manifest names; export the case again")
    return case


_FORMS = {"number": int, "at_utc": str, "by": str, "kind": str, "body": dict, "previous": str, "hash": str}


def _entry(row: str, number: int, case_id: str, path: str) -> Entry:
    where = f"{path}: {LOG} line {number}"
    try:
        data = json.loads(row)
    except (ValueError, RecursionError):
        raise BadCase(f"{where}: no JSON; export the case again") from None
    if not isinstance(data, dict) or set(data) != set(_FORMS):
        raise BadCase(f"{where}: expected the fields {', '.join(_FORMS)}; export the case again")
    for name, form in _FORMS.items():
        if type(data[name]) is not form:
            raise BadCase(f"{where}: {name} is no {form.__name__}; export the case again")
    try:
        text = codec.canonical(data.pop("body"))
    except (ValueError, RecursionError):
        raise BadCase(f"{where}: body holds what is no JSON; export the case again") from None
    return codec.restored({**data, "text": text, "case_id": case_id}, path)


def _same_files(case: Case, manifest: Manifest, there: set[str], path: str) -> None:
    """Log, manifest and zip name the same files; only private ones may be left out."""
    named = [line.sha256 for line in manifest.files]
    wanted = files_of(e.entry for e in case.log)
    if len(set(named)) != len(named) or set(named) != set(wanted):
        _refuse(path, "manifest and log do not name the same files; export the case again")
    kept = {line.sha256 for line in manifest.files if not line.left_out}
    if kept != there:
        lost = sorted(kept ^ there)[0]
        _refuse(
            path, f"file {lost[:12]} is {'missing' if lost in kept else 'not in the manifest'}; export the case again"
        )
    sealed = _sealed(case)
    for line in manifest.files:
        if line.left_out and line.sha256 not in sealed:
            _refuse(path, f"file {line.sha256[:12]} is left out and no vehicle number; export the case again")


def _sealed(case: Case) -> set[str]:
    """Files that hold the vehicle number, now or before a correction: private whatever a manifest says."""
    bodies = (e.entry.body for e in case.log)
    return {s for b in bodies if isinstance(b, Opened | Correction) for s in b.files()}


def _file(archive: zipfile.ZipFile, info: zipfile.ZipInfo, line: FileLine, private: bool, path: str) -> Attachment:
    data = _read(archive, info, LARGEST_FILE, path)
    if len(data) != line.size_bytes or hashlib.sha256(data).hexdigest() != line.sha256:
        _refuse(path, f"file {line.sha256[:12]} is not the one that was added (hash does not fit); export it again")
    return Attachment(line.sha256, line.media_type, data, private)


def default_name(case: Case) -> str:
    """How a case's zip is called where nothing else is said."""
    return f"case-{case.id}.zip"

"""A snapshot from a file, whatever its kind: a log of the bus, a typed-in TOML, or a snapshot written before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from witnessmark.errors import BadScan
from witnessmark.scan.hand import read_hand
from witnessmark.scan.logs import SUFFIXES, read_log
from witnessmark.scan.model import Engine, ScanSnapshot
from witnessmark.scan.snapshot_json import snapshot_from

MOST_BYTES = 200_000_000


def open_snapshot(path: str, engine: Engine | None = None) -> ScanSnapshot:
    """The snapshot of a file; engine: what it did meanwhile, as the user says (overrides what the file says).

    Raises :class:`~witnessmark.errors.BadScan` with one line, :class:`~witnessmark.errors.NoLink` where a package for
    the format is not installed.
    """
    suffix = Path(path).suffix.lower()
    if suffix in SUFFIXES:
        return read_log(path, engine)
    if suffix == ".toml":
        return read_hand(path, engine)
    if suffix != ".json":
        raise BadScan(
            f"{path}: expected a log of the bus ({', '.join(SUFFIXES)}), a typed-in .toml or a snapshot .json; "
            "rename the file or choose another"
        )
    try:
        with open(path, "rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadScan(f"{path}: {(error.strerror or str(error)).lower()}; check path and permissions") from None
    if len(raw) > MOST_BYTES:
        raise BadScan(f"{path}: larger than {MOST_BYTES // 1_000_000} MB; expected a snapshot, check the path")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadScan(f"{path}: not UTF-8 text; give a snapshot that scan read wrote") from None
    found = snapshot_from(text, path)
    return found if engine is None else replace(found, source=replace(found.source, engine=engine))

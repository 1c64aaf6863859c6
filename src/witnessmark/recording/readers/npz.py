"""NPZ: an array a channel and a scalar ``rate_hz``, or a ``time`` array.

``gain__<name>``, ``offset__<name>`` and ``unit__<name>`` are this program's own extension: the scale and unit of
channel <name>, so that integers can be kept as recorded. So is a scalar ``simulated``.
"""

from __future__ import annotations

from witnessmark.recording.model import Recording
from witnessmark.recording.readers.members import from_members
from witnessmark.recording.readers.npz_store import open_members


def read(path: str) -> Recording:
    """Channels in the file's order; uncompressed arrays are memory-mapped, compressed ones unpacked when first read."""
    members, cut = open_members(path)
    return from_members(path, "NPZ", members, cut)

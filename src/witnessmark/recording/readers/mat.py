"""MATLAB: level 5 files by this program's own reader, 7.3 files as the HDF5 they are."""

from __future__ import annotations

from witnessmark.recording.model import Recording

FORMAT = "MATLAB"


def read(path: str) -> Recording:
    """Vectors are channels; a scalar ``rate_hz`` or a vector ``time`` is the clock."""
    from witnessmark.recording.readers import hdf5

    if hdf5.user_block(path) is not None:
        return hdf5.read(path, FORMAT)
    from witnessmark.recording.readers.mat5 import open_members
    from witnessmark.recording.readers.members import from_members

    members, cut = open_members(path)
    return from_members(path, FORMAT, members, cut)

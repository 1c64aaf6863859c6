"""Arrays as an open recording, without a file."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.simulate.run import Simulated


class Arrays:
    """Native samples by place in the recording."""

    def __init__(self, channels: list[NDArray[Any] | Changes]) -> None:
        """Hold these channels."""
        self._channels = channels

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop)."""
        found = self._channels[index]
        if isinstance(found, Changes):
            raise TypeError("a change list has no samples")
        return found[start:stop]

    def changes(self, index: int) -> Changes:
        """Changes of a two-level channel."""
        found = self._channels[index]
        if not isinstance(found, Changes):
            raise TypeError("a sampled channel has no change list")
        return found


def recording_of(simulated: Simulated, path: str = "simulated") -> Recording:
    """The simulated channels as the reader of a file would give them."""
    infos = []
    for position, (name, samples) in enumerate(simulated.channels.items(), start=1):
        gain, offset = simulated.gains[name]
        unit = simulated.units.get(name, "V")
        infos.append(ChannelInfo(name, position, "sampled", len(samples), simulated.rate_hz, 0.0, gain, offset, unit))
    longest = max(info.samples for info in infos) / simulated.rate_hz
    return Recording(path, tuple(infos), Arrays(list(simulated.channels.values())), longest, (), "npz")

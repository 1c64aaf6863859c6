"""What recording.json of a working store says; see docs/recordings.md for the folder as a whole.

``python -m witnessmark.recording.store_format`` prints its JSON Schema; docs/recording.schema.json is that print.
Fields may be added within version 1, which readers pass over; a store of another version is refused.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from witnessmark.recording.model import ChannelInfo
from witnessmark.spans import Span

SCHEMA: Literal["witnessmark.recording/1"] = "witnessmark.recording/1"
NAME = "recording.json"
SETUP = "setup.toml"
MOST_CHANNELS = 4096

FileName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]*$", max_length=80)]
Count = Annotated[int, Field(ge=0, lt=2**48)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
SampleType = Literal["int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64", "float32", "float64"]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)


class Gap(_Entry):
    """A stretch without usable samples."""

    start_s: float
    end_s: float
    reason: str = ""


class Channel(_Entry):
    """One channel. value = sample * gain + offset, in ``unit``.

    kind "sampled": ``file`` holds ``samples`` of ``type``, the first at ``start_s``, ``rate_hz`` of them a second.
    kind "changes": ``file`` holds the levels (uint8, 0 or 1) and ``times`` the times in s (float64) from which they
    hold; ``end_s`` is the end of the record. sha256: of the bytes of ``times`` and ``file`` behind their headers.
    pyramid: the file of smallest and largest samples.
    """

    name: str
    position: Annotated[int, Field(ge=1)]
    kind: Literal["sampled", "changes"]
    samples: Count
    rate_hz: Annotated[float, Field(ge=1e-3, le=1e12)] | None
    start_s: float
    end_s: float
    gain: float = 1.0
    offset: float = 0.0
    unit: str = ""
    gaps: tuple[Gap, ...] = ()
    type: SampleType
    file: FileName
    times: FileName | None = None
    pyramid: FileName | None = None
    sha256: Digest

    def info(self) -> ChannelInfo:
        """As a recording's header has it."""
        return ChannelInfo(
            self.name,
            self.position,
            self.kind,
            self.samples,
            self.rate_hz,
            self.start_s,
            self.gain,
            self.offset,
            self.unit,
            tuple(Span(g.start_s, g.end_s, g.reason) for g in self.gaps),
        )


class Program(_Entry):
    """What wrote the store."""

    name: str
    version: str


class Origin(_Entry):
    """The recording the store was made from: its name, its size, and the hash of its content.

    sha256 is that of the file, as ``sha256sum`` gives it; of a folder, that of its files' names and contents.
    """

    name: str
    bytes: Count
    sha256: Digest


class Contents(_Entry):
    """recording.json. format: of the file the samples came from. setup: the file of what is known of the vehicle.

    simulated: whether the file said that no engine ran for it.
    """

    schema_: Annotated[Literal["witnessmark.recording/1"], Field(alias="schema")] = SCHEMA
    program: Program
    made_utc: str
    source: Origin | None = None
    format: str = ""
    end_s: float
    cautions: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    setup: FileName | None = None
    simulated: bool = False
    channels: Annotated[tuple[Channel, ...], Field(max_length=MOST_CHANNELS)]


def native(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The type as it is stored: little-endian."""
    return dtype.newbyteorder("<")


def dumped(contents: Contents) -> str:
    """The text of recording.json."""
    return json.dumps(contents.model_dump(by_alias=True), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def schema() -> dict[str, Any]:
    """JSON Schema of recording.json."""
    made = Contents.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made, "title": SCHEMA}


if __name__ == "__main__":
    print(json.dumps(schema(), indent=1, ensure_ascii=False))

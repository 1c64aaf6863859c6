"""What this program's own HDF5 and Zarr files say beyond the samples: gaps with reasons, cautions, origin.

The attribute ``recording`` of the root holds it as JSON. Other programs pass over it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.store_format import Gap
from witnessmark.spans import Span

ATTRIBUTE = "recording"


class _Channel(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)
    name: str
    position: Annotated[int, Field(ge=1)]
    gaps: tuple[Gap, ...] = ()


class Told(BaseModel):
    """The attribute."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, populate_by_name=True)
    schema_: Annotated[Literal["witnessmark.told/1"], Field(alias="schema")]
    format: str
    end_s: float
    cautions: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    channels: tuple[_Channel, ...]


def told_text(recording: Recording) -> str:
    """The attribute, as JSON."""
    channels = tuple(
        _Channel(
            name=c.name,
            position=c.position,
            gaps=tuple(Gap(start_s=g.start_s, end_s=g.end_s, reason=g.reason) for g in c.gaps),
        )
        for c in recording.channels
    )
    told = Told(
        schema_="witnessmark.told/1",
        format=recording.format,
        end_s=recording.end_s,
        cautions=recording.cautions,
        left_out=recording.left_out,
        channels=channels,
    )
    return json.dumps(told.model_dump(by_alias=True), ensure_ascii=False, allow_nan=False)


def parse_told(raw: Any) -> Told | None:
    """The attribute (a dictionary, or JSON as text); None where it is another program's, or damaged."""
    if not isinstance(raw, (dict, str)):
        return None
    try:
        return Told.model_validate(raw) if isinstance(raw, dict) else Told.model_validate_json(raw)
    except ValidationError:
        return None


def as_told(recording: Recording, told: Told | None) -> Recording:
    """The recording as read, with what its file says of it; what the file does not know of (new gaps) is kept."""
    if told is None or [c.name for c in told.channels] != [c.name for c in recording.channels]:
        return recording
    channels, new = [], False
    for info, said in zip(recording.channels, told.channels, strict=True):
        known = [Span(g.start_s, g.end_s, g.reason) for g in said.gaps if g.end_s >= g.start_s]
        more = [g for g in info.gaps if not _covered(g, known, info)]
        new |= bool(more)
        gaps = tuple(sorted([*known, *more], key=lambda s: s.start_s))
        channels.append(replace(info, position=said.position, gaps=gaps))
    cautions = (*told.cautions, *(c for c in recording.cautions if c not in told.cautions)) if new else told.cautions
    return replace(
        recording,
        channels=tuple(channels),
        cautions=cautions,
        left_out=told.left_out,
        format=told.format,
        end_s=recording.end_s if new else max(told.end_s, recording.end_s),
    )


def _covered(gap: Span, known: list[Span], info: ChannelInfo) -> bool:
    slack = 0.5 / info.rate_hz if info.rate_hz else 0.0
    return any(k.start_s - slack <= gap.start_s and gap.end_s <= k.end_s + slack for k in known)

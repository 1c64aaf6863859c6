"""What the forms of a case offer to choose from."""

from __future__ import annotations

from functools import lru_cache

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.engines import EngineFacts
from witnessmark.causes.ids import CAUSES
from witnessmark.causes.listing import plain
from witnessmark.report.words import CAUSES as WORDS


@lru_cache(maxsize=1)
def catalogue() -> tuple[dict[str, object], ...]:
    """Every test of the catalogue: id, what to do, minutes, what it may show, cautions."""
    knowledge = load_knowledge()
    return tuple(
        {
            "id": t.id,
            "statement": plain(t.statement),
            "minutes": t.minutes,
            "outcomes": [o.result for o in t.outcomes],
            "cautions": list(knowledge.caution_texts(t.cautions, EngineFacts())),
        }
        for t in sorted(knowledge.test, key=lambda t: plain(t.statement))
    )


@lru_cache(maxsize=1)
def causes() -> tuple[tuple[str, str], ...]:
    """(id, words) of every cause that can be named at the end."""
    return tuple((c, WORDS[c]) for c in CAUSES)

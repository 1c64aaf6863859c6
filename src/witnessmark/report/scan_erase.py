"""What erasing would destroy, listed before anyone is asked."""

from __future__ import annotations

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.report.blocks import block
from witnessmark.report.words import plural
from witnessmark.scan.meanings import meaning
from witnessmark.scan.model import ControlUnit, ScanSnapshot


def losses(snapshot: ScanSnapshot, saved: str) -> str:
    """Everything that goes, unit by unit, what stays, and the caution; no line break at the end."""
    lines = block("Will go", [text for unit in snapshot.units for text in _of(unit)])
    stays = ["Permanent codes: they go only after the control unit itself has seen the fault gone."]
    lines += block("Will stay", stays)
    kept = [f"{saved} holds what was read, vehicle number included; keep it private and with the job."]
    lines += block("Saved", kept)
    lines += block("Cautions", [
        "A fault that comes and goes may not come back for days, and with its freeze frame the proof is gone. An "
        "emission test fails until the self-tests have run again.",
        load_knowledge().caution_text("evidence"),
    ])  # fmt: skip
    return "\n".join(lines)


def _of(unit: ControlUnit) -> list[str]:
    gone = [f"{code} ({meaning(code).words}), {kind}" for code, kinds in unit.codes.items()
            for kind in kinds if kind != "permanent"]  # fmt: skip
    codes = "; ".join(gone) or ("codes that could not be read" if unit.stored is None else "no codes")
    frames = [f"freeze frame {f.number}{f' of {f.code}' if f.code else ''}, {len(f.values)} values"
              for f in unit.freeze_frames]  # fmt: skip
    done = [m.name for m in unit.readiness.monitors if m.complete] if unit.readiness is not None else []
    ready = f"readiness of {plural(len(done), 'self-test')}" if done else "readiness"
    tests = f", {len(unit.tests)} results of on-board tests" if unit.tests else ""
    trims = [f"{s.name} {s.last:+.1f} %" for k in (1, 2) if (s := unit.one(f"long-trim-{k}")) is not None]
    learnt = f"learnt trims ({', '.join(trims)})" if trims else "learnt trims"
    return [f"{unit.called}: {codes}", *frames, f"{ready}{tests}, {learnt}"]

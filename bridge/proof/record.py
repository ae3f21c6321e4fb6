"""The record of a test as JSON, written after every reading, so that an interrupted test goes on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from bridge.errors import DescriptionError
from bridge.gauges.pointer import Pointer
from bridge.outputs import MARK
from bridge.proof.evaluation import Evaluation, Result
from bridge.proof.plan import Plan
from bridge.proof.published import NOT_AIRWORTHY
from bridge.proof.readers import Reader

VERSION = 1
Facts = Sequence[tuple[str, str]]


@dataclass(slots=True)
class Record:
    """The readings so far of one plan; `begun` and `latest` are local times in words."""

    fingerprint: str
    begun: str
    latest: str = ""
    taken: list[float | None] = field(default_factory=list)

    def is_finished(self, plan: Plan) -> bool:
        """Whether every step of this plan has its entry, also those that could not be read (None)."""
        return len(self.taken) >= len(plan.steps)


def fingerprint(plan: Plan, pointer: Pointer, reader: Reader) -> str:
    """The same for the same test of the same gauge, read by the same: readings may be put together."""
    drive = pointer.drive
    parts = (
        plan.steps,
        plan.hold_s,
        pointer.face.points,
        pointer.rising.points,
        pointer.falling.points,
        (drive.steps_per_turn, drive.zero_steps, pointer.home_deg, pointer.board, pointer.channel),
        (reader.kind, reader.uncertainty),
    )
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def read_record(path: Path, expected: str, steps: int) -> Record | None:
    """The record in this file, None where there is none, or one that is finished.

    Raises DescriptionError for a file that is no record, or of another test than `expected` (a fingerprint).
    """
    if not path.is_file():
        return None
    cure = "Move it away, or choose another folder with --out"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        taken = [None if row["read"] is None else float(row["read"]) for row in data["readings"]]
        found = Record(str(data["fingerprint"]), str(data["begun"]), str(data["latest"]), taken)
        is_one = data["written_by"] == MARK and data["version"] == VERSION
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DescriptionError(str(path), "", f"no record of a test ({error})", "one", cure) from None
    if not is_one:
        raise DescriptionError(str(path), "", "a file of another program", "a record of a test", cure)
    if len(taken) >= steps:
        return None
    if found.fingerprint != expected:
        what = "an unfinished test of another state of this gauge (calibration, drive, plan or reader)"
        raise DescriptionError(str(path), "", what, "one that can be gone on with", cure)
    return found


def to_json(record: Record, plan: Plan, evaluation: Evaluation, facts: Facts, reader: Reader) -> str:
    """The record with all that follows from it."""
    readings = [
        {
            "purpose": step.purpose,
            "wanted": step.wanted,
            "from": "above" if step.falling else "below",
            "cycle": step.cycle,
            "setting_inHg": step.setting_inhg if plan.is_altimeter else None,
            "tapped": step.tapped,
            "read": value,
        }
        for step, value in zip(plan.steps, record.taken, strict=False)
    ]
    data: dict[str, Any] = {
        "written_by": MARK,
        "version": VERSION,
        "notice": NOT_AIRWORTHY,
        "fingerprint": record.fingerprint,
        "pointer": plan.key,
        "unit": plan.unit,
        "begun": record.begun,
        "latest": record.latest,
        "finished": record.is_finished(plan),
        "facts": dict(facts),
        "read_by": reader.words,
        "uncertainty": reader.uncertainty,
        "verdict": evaluation.verdict,
        "tests": [_test(result) for result in evaluation.results],
        "iso_230_2": asdict(evaluation.accuracy),
        "looks_like": evaluation.looks,
        "not_tested": (*plan.untested, *evaluation.unread),
        "readings": readings,
    }
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def _test(result: Result) -> dict[str, Any]:
    worst = result.worst
    return {
        "test": result.test,
        "source": result.source,
        "verdict": result.verdict,
        "worst": None if worst is None else asdict(worst),
        "places": len(result.checks),
        "remark": result.remark,
    }

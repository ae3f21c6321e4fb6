"""One test with its files: what is tested, the readings so far, and the sheet that is written from them."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from bridge.description import read_toml
from bridge.faces.sheets import Paper
from bridge.gauges.pointer import Pointer
from bridge.outputs import put_files, refuse_taken
from bridge.panel.load import Panel
from bridge.proof.evaluation import Evaluation, evaluate
from bridge.proof.html import sheet_html
from bridge.proof.pdf import sheet_pdf
from bridge.proof.plan import make_plan
from bridge.proof.readers import Reader, index_reading, step_of
from bridge.proof.record import Record, fingerprint, read_record, to_json
from bridge.proof.run import ProofRun
from bridge.proof.sheet import facts, sheet


class Work:
    """The test of one pointer in the folder of its files: goes on with a record that is there.

    `board_id` is the id that the pointer's board introduced itself with, as text, once it is known.
    Raises DescriptionErrors for files that may not be written, DescriptionError for a record of another test.
    """

    def __init__(
        self,
        panel: Panel,
        pointer: Pointer,
        reader: Reader,
        folder: Path,
        cycles: int,
        hold_s: float,
        top_ft: float | None = None,
    ) -> None:
        self.panel, self.pointer, self.reader = panel, pointer, reader
        self.plan = make_plan(panel, pointer, cycles, hold_s, reader.kind == "index", top_ft)
        board = panel.description.boards[pointer.board]
        self.board_id = board.id or ("none" if board.is_virtual else "not known")
        name = re.sub(r"[\W_]+", "-", pointer.key)
        self.json, self.html, self.pdf = (folder / f"{name}.{kind}" for kind in ("json", "html", "pdf"))
        self._folder = folder
        self._writing = threading.Lock()
        self._kept, self._written = 0, 0
        self._calibration = calibration_of(panel, pointer)
        refuse_taken((self.json, self.html, self.pdf), panel.files)
        mark = fingerprint(self.plan, pointer, reader)
        found = read_record(self.json, mark, len(self.plan.steps))
        self.goes_on = found is not None
        self.record = found or Record(mark, now())
        unit_per_step = step_of(pointer)
        self.run = ProofRun(
            self.plan,
            self.record.taken,
            unit_per_step,
            unit_per_step * pointer.drive.speed_steps_s,
            asks_setting=panel.description.altimeter_setting.source == "knob",
        )

    @property
    def evaluation(self) -> Evaluation:
        """What the readings so far prove."""
        return evaluate(self.plan, self.pointer, self.run.taken, self.reader.uncertainty)

    def index_reading(self) -> float | None:
        """What the index sensor shows for the step that is due; None where no mark has passed."""
        step, passed_steps = self.run.step, self.run.passed_steps
        if step is None or passed_steps is None:
            return None
        return index_reading(self.pointer, step.wanted, passed_steps, step.falling)

    def keep(self) -> None:
        """Write the record of the readings so far; raises DescriptionError where the disk refuses."""
        self.keeping()()

    def keeping(self) -> Callable[[], None]:
        """What `keep` does, with the readings as they are now, to be called in any thread."""
        self.record = record = replace(self.record, taken=list(self.run.taken), latest=now())
        self._kept = number = self._kept + 1

        def write() -> None:
            with self._writing:
                if number < self._written:  # a thread that comes late: a later record is on the disk
                    return
                evaluation = evaluate(self.plan, self.pointer, record.taken, self.reader.uncertainty)
                data = to_json(record, self.plan, evaluation, self._facts(record), self.reader)
                put_files({self.json: data}, self._folder)
                self._written = number

        return write

    def write_sheet(self, paper: Paper) -> tuple[Path, ...]:
        """Write record and sheet; returns the files."""
        self.keep()
        whole = sheet(self.plan, self.evaluation, self._facts(self.record))
        put_files({self.html: sheet_html(whole), self.pdf: sheet_pdf(whole, paper)}, self._folder)
        return self.json, self.html, self.pdf

    def _facts(self, record: Record) -> tuple[tuple[str, str], ...]:
        return facts(
            self.panel, self.pointer, self.plan, record, self.reader, self.board_id, self._calibration
        )


def calibration_of(panel: Panel, pointer: Pointer) -> str:
    """Its calibration file and when that was captured, in words; raises DescriptionError where it is gone."""
    described = panel.description.gauges[pointer.gauge].calibration
    points = None if described is None else read_toml(panel.path.parent / described).get(pointer.name)
    if described is None or not isinstance(points, dict):
        return "none: the curve is the face's own"
    if captured := points.get("captured"):
        return f"{described}, captured {captured}"
    changed_s = (panel.path.parent / described).stat().st_mtime
    changed = datetime.fromtimestamp(changed_s, UTC).astimezone().date()
    return f"{described}, without its day of capture (captured = ...); the file is of {changed}"


def now() -> str:
    """The time of day and the day, here, in words."""
    return datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M")

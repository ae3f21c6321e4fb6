"""The program, but with more time to end cleanly, and for boards to answer: the machine may be busy.

Run it as `python -m tests.patient_cli`, with the words of a command. How long an end takes in fact is the
matter of `python -m tests.faults`.
"""

from __future__ import annotations

import sys
from functools import partial

from bridge import cli
from bridge.boards import query_clock, serial, serial_line
from bridge.boards.session import BoardSession
from bridge.commands import drawing, ending
from bridge.flight import running_panel, service, state_keeper


def be_patient() -> None:
    """Give this program the time, also where the machine takes its cores away for a second meanwhile."""
    ending.LONGEST_S = 30.0
    drawing.LAST_DRAWING_S = serial_line._DRAIN_S = state_keeper.LAST_STATE_S = 1.5
    service.COME_TO_REST_S = service.END_PARTS_S = serial.CLOSE_S = 3.0
    running_panel.BoardSession = partial(BoardSession, silence_s=5.0)  # type: ignore[attr-defined, assignment]
    query_clock.BLIND_S = 5.0


if __name__ == "__main__":
    be_patient()
    sys.exit(cli.main())

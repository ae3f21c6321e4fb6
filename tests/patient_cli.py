"""The program, but with more time to end cleanly before it ends without waiting: the machine may be busy.

Run it as `python -m tests.patient_cli`, with the words of a command. How long an end takes in fact is the
matter of `python -m tests.faults`.
"""

from __future__ import annotations

import sys

from bridge import cli
from bridge.commands import ending

ending.LONGEST_S = 30.0

if __name__ == "__main__":
    sys.exit(cli.main())

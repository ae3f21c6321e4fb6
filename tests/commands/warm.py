"""A process that has every command imported and forks for each that it is asked to run: it starts in no time.

Run it as `python -m tests.commands.warm`. It reads a request a line (JSON: arguments, folder, environment,
the files for output and errors) and answers with the exit code once the child has ended.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import signal
import sys

from bridge import cli
from tests.patient_cli import be_patient

LONGEST_S = 240
"""After this a child is ended by SIGALRM."""


def main() -> None:
    be_patient()
    for place, _ in cli._COMMANDS.values():
        importlib.import_module(place)
    gc.collect()
    gc.freeze()  # a child does not go through what it shares with us
    for line in sys.stdin:
        request = json.loads(line)
        child = os.fork()
        if child == 0:
            signal.alarm(LONGEST_S)
            os.chdir(request["folder"])
            os.environ.clear()
            os.environ.update(request["environment"])
            _reopen(0, os.devnull, os.O_RDONLY)
            _reopen(1, request["output"], os.O_WRONLY | os.O_CREAT)
            _reopen(2, request["errors"], os.O_WRONLY | os.O_CREAT)
            sys.exit(cli.main(request["arguments"]))
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


def _reopen(descriptor: int, path: str, flags: int) -> None:
    opened = os.open(path, flags, 0o600)
    os.dup2(opened, descriptor)
    os.close(opened)


if __name__ == "__main__":
    main()

"""One module for each command: its arguments, and what it calls.

A module offers `add_arguments(parser)` and `run(arguments) -> int` (the exit code). It imports what it
needs inside `run`, so that `--help` stays quick.
"""

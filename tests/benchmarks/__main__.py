"""All benchmarks, or those named: `python -m tests.benchmarks [latency load pointers ...]`."""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path

from tests.benchmarks import (
    decode,
    error,
    firmware,
    latency,
    load,
    mqtt,
    page,
    pointers,
    recorded,
    replay,
    report,
    scale,
    start,
)

_BENCHES = {
    "latency": latency.main,
    "load": load.main,
    "mqtt": mqtt.main,
    "pointers": pointers.main,
    "replay": replay.main,
    "error": error.main,
    "recorded": recorded.main,
    "page": page.main,
    "report": report.main,
    "scale": scale.main,
    "start": start.main,
    "decode": decode.main,
    "firmware": firmware.main,
}


def machine() -> str:
    """The processor's name, its cores as seen here, system and Python."""
    name = platform.processor()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = (line.partition(":") for line in info.read_text(encoding="utf-8").splitlines())
        name = next((value.strip() for key, _, value in lines if key.strip() == "model name"), name)
    system = f"{platform.system()} {platform.release()}"
    return f"{name}, {os.cpu_count()} cores; {system}; Python {platform.python_version()}"


def main() -> int:
    chosen = sys.argv[1:] or list(_BENCHES)
    unknown = [name for name in chosen if name not in _BENCHES]
    if unknown:
        print(
            f"no benchmark is called {', '.join(unknown)}; there are {', '.join(_BENCHES)}", file=sys.stderr
        )
        return 2
    print(machine())
    for name in chosen:
        _BENCHES[name]()
    return 0


if __name__ == "__main__":
    sys.exit(main())

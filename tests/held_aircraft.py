"""A flight-dynamics model that is held at its place and has an altimeter setting that others may set.

Run with `replay_logs` on the path. Its first line of output is the port on which it hears commands such as
`setting 30.50`; then it reads the port to which its telemetry goes, and runs at the pace of the clock until
its input ends. The telemetry is jsbsim's own socket output: static pressure, and the setting.
"""

from __future__ import annotations

import select
import socket
import sys
import tempfile
import time
from pathlib import Path

from aircraft import STEPS_PER_S, Aircraft

SETTING = "simulation/altimeter-setting-inHg"
AT_MOST_S = 600.0
_DIRECTIVE = """<?xml version="1.0"?>
<output name="127.0.0.1" type="SOCKET" protocol="UDP" port="{port}" rate="20">
  <property> atmosphere/P-psf </property>
  <property> {setting} </property>
</output>
"""


def main() -> None:
    aircraft = Aircraft(29.92, {"ic/h-sl-ft": 4900.0, "ic/vc-kts": 100.0})
    aircraft[SETTING] = 29.92
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as commands,
        tempfile.TemporaryDirectory() as folder,
    ):
        commands.bind(("127.0.0.1", 0))
        commands.setblocking(False)
        print(commands.getsockname()[1], flush=True)
        directive = Path(folder) / "output.xml"
        directive.write_text(_DIRECTIVE.format(port=int(input()), setting=SETTING), encoding="utf-8")
        aircraft.fdm.set_output_directive(str(directive))
        aircraft.fdm.run_ic()  # the labels go out here
        aircraft.fdm.suspend_integration()  # the air around it, and so the true altitude, stays the same
        start_s = time.monotonic()
        while time.monotonic() - start_s < AT_MOST_S:
            if select.select([sys.stdin], [], [], 0.0)[0]:
                return
            if select.select([commands], [], [], 0.0)[0]:
                word, _, value = commands.recv(1000).decode().partition(" ")
                if word == "setting":
                    aircraft[SETTING] = float(value)
            aircraft.fdm.run()
            time.sleep(1 / STEPS_PER_S)


if __name__ == "__main__":
    main()

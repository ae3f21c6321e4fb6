"""A flight-dynamics model that flies in real time and sends its own datagrams: `live_flight.py PORT`.

Run with `replay_logs` on the path. It flies level until a line comes on its input, then climbs and turns
right for a while. The datagrams are jsbsim's own (its socket output directive); this script only steps the
model at the pace of the clock. At the end it prints, for every step since then, the monotonic time and the
model's own state. Pressure altitude is the model's, a geometric height.
"""

from __future__ import annotations

import json
import select
import sys
import tempfile
import time
from math import inf
from pathlib import Path

from aircraft import Aircraft
from autopilot import Altitude, Autopilot, Heading, Leg, Turn

SETTING_INHG = 30.12
CLIMB_FT_MIN, STEEPER_FT_MIN_S = 2000.0, 300.0  # it becomes steeper by and by; the autopilot lags a little
CLIMBING_S = 14.0
LEVEL = Leg("level", Heading(346.0), Altitude(4900.0, 125.0), lambda _: False)
AT_MOST_LEVEL_S = 300.0

_DIRECTIVE = """<?xml version="1.0"?>
<output name="127.0.0.1" type="SOCKET" protocol="UDP" port="{port}" rate="20">
  <property> atmosphere/P-psf </property>
  <property> velocities/vc-kts </property>
  <property> attitude/psi-deg </property>
</output>
"""
_STATE = (
    "simulation/sim-time-sec",
    "atmosphere/pressure-altitude",
    "velocities/vc-kts",
    "attitude/psi-deg",
    "velocities/h-dot-fps",
)


def climb(since_s: float) -> Leg:
    """Climbing and turning right across north at standard rate."""
    limit_ft_min = min(CLIMB_FT_MIN, STEEPER_FT_MIN_S * since_s)
    return Leg("climb", Turn(3.0), Altitude(20_000.0, 125.0, limit_ft_min), lambda _: False)


def main() -> None:
    aircraft = Aircraft(SETTING_INHG, {"ic/h-sl-ft": 4900.0, "ic/vc-kts": 125.0, "ic/psi-true-deg": 350.0})
    with tempfile.TemporaryDirectory() as folder:
        directive = Path(folder) / "output.xml"
        directive.write_text(_DIRECTIVE.format(port=sys.argv[1]), encoding="utf-8")
        aircraft.fdm.set_output_directive(str(directive))
        aircraft.fdm.run_ic()  # the labels go out here
    aircraft["propulsion/set-running"] = -1
    autopilot = Autopilot(aircraft)
    autopilot.next_leg(LEVEL)
    track: list[tuple[float, ...]] = []
    climbs_s = inf
    start_s = time.monotonic()
    while aircraft.time_s < min(AT_MOST_LEVEL_S, climbs_s + CLIMBING_S):
        if climbs_s == inf and select.select([sys.stdin], [], [], 0.0)[0]:
            climbs_s = aircraft.time_s
            aircraft.next_leg()
            autopilot.next_leg(climb(0.0))
        time.sleep(max(0.0, start_s + aircraft.time_s - time.monotonic()))
        autopilot.fly(LEVEL if climbs_s == inf else climb(aircraft.time_s - climbs_s), aircraft.state())
        aircraft.step()
        if climbs_s < inf:
            track.append((time.monotonic(), *(aircraft[name] for name in _STATE)))
    json.dump(track, sys.stdout)


if __name__ == "__main__":
    main()

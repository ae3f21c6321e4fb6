"""The live page: the panel as it is, its health, control of a replay, the bench, and failures for training,
for any browser.

A part of the service that fails and restarts alone, and works only while somebody watches. To develop it,
from a checkout:

    .venv/bin/pointer-bridge replay replay_logs/circuit.csv --page --loop --from 60

prints the address. Files of `static/` are read anew at each request, so reload the browser after a change.
`--page HOST:PORT` binds elsewhere than to 127.0.0.1:58280.

    browser  <- server.py (HTTP, WebSocket) <- hub.py (mailboxes) <- feed.py <- drawing, live, health
    browser  -> server.py -> access.py (who may) -> messages.py (what) -> controls.py -> the service

Nothing here may delay a frame to a board: everything runs in the service's event loop, one browser's message
in one turn of it, and what takes longer than that in a thread. Everything of the running panel comes from
its snapshots. (Measured by `python -m tests.benchmarks page`: with 20 browsers a turn of the loop takes no
longer than with none. With the server in a thread and a loop of its own the figures were the same.)

HTTP: `GET /` is static/index.html, `GET /static/NAME`, `GET /faces/GAUGE/N.svg?r=REVISION` is layer N of a
gauge from the back (an SVG without style attributes; a moving layer's groups have `data-pointer`, `data-flag`
or `data-setting`). The WebSocket is `/live`, JSON text both ways, or `/live?trainee` for
one who may only watch. Nothing else is served, nothing comes from elsewhere.

Server to browser
-----------------
Each kind is sent at connect and then when it changes; of one kind the latest wins.

you: who this browser is. `may_move` is whether it may move, write or control; else `enter` needs the token.
    {"type":"you","name":"guest 2","may_move":true}
panel: also after each change of the description. The box of a gauge (x, y, width, height) is that of its
layers, all of one size, in mm from the panel's top left corner, y down. `low` and `high` are the scale's ends
(of an endless pointer: the quantity's range); `period` is the reading of one turn, null for a bounded one;
`altitude` of a replay is null for those who may not move.
`driven_by` is the key of the pointer that drives a geared one. `trouble` is why a gauge could not be drawn.
`middle_mm` is the face's middle in the box. A layer with `moving` has groups to move, each turned about the
origin of its own frame: a pivot off the middle is in the drawing.
    {"type":"panel","revision":3,"name":"...","width_mm":300,"height_mm":200,
     "gauges":[{"name":"airspeed","x_mm":0,"y_mm":0,"width_mm":90,"height_mm":90,"middle_mm":[45,45],
       "trouble":"",
       "layers":[{"url":"/faces/airspeed/0.svg?r=3","moving":false}],
       "pointers":[{"key":"airspeed.needle","name":"needle","quantity":"indicated_airspeed","unit":"kt","decimals":0,
                    "low":0,"high":180,"period":null,"driven_by":null,"board":"right","channel":0}]}],
     "boards":[{"name":"left","virtual":true}],
     "replay":null | {"file":"circuit.csv","start_s":0,"end_s":1363,
                      "altitude":null | {"quantity":"pressure_altitude","unit":"ft","points":[[0,1964]]}}}
needles: at most 30 a second, twice a second where nothing moves. Per pointer: face angle by the board's last
report (deg clockwise from 12 o'clock, 0 to 360), face angle of the indication, indication, what the pointer
shows, error (shows less indication); null where not known. Per flag the reason why it is in sight, "" while
not. Per lamp its brightness to the eye (0 to 1) and its state: lit, dark, awaited (no reading) or off (not
lit by its board).
    {"type":"needles","time_s":12.3,"p":{"airspeed.needle":[92.1,92.0,71.2,71.3,0.1]},
     "flags":{"attitude.off":"suction < 4.5 inHg"},"lamps":{"backlight":[0.6,"lit"]},
     "replay":null | {"time_s":80.2,"playing":true,"speed":1}}
health: twice a second. To those who may not move, a trainee among them, `readings` are those that needles
show, with what they should show now, and `log` has no lines on failures. `held_s` is how long coils have held
a still pointer with current (null: they do not), `missed_steps` what the index audit has found since homing
(null: no marks to audit by). `state` of telemetry: awaited, live, silent, resting, paused (a replay). A fault
needs somebody; `cure` is what to do.
    {"type":"health",
     "telemetry":{"state":"live","age_s":0.02,"setting":{"inhg":29.92,"hpa":1013.2,"source":"telemetry"},
       "senders":[{"address":"...","layout":"...","datagrams":1,"rate_hz":20.0,"unused":0,"causes":{},
                   "trouble":""}]},
     "readings":[{"name":"pitch","value":2.4,"unit":"deg","age_s":0.0,"derived":false,"lost":false}],
     "gauges":{"airspeed":{"state":"live","why":""}},
     "pointers":{"airspeed.needle":{"state":"ready","detail":"","lost":[],"parked":false,"missed_steps":null,
                                    "held_s":12}},
     "lamps":[{"name":"backlight","board":"centre","state":"lit","brightness":0.6,"detail":""}],
     "boards":[{"name","virtual","state","detail","sent","lost","corrupted","unanswered","disbelieved",
                "undecodable","refused","resets","watchdog_trips","round_trip_ms","worst_round_trip_ms"}],
     "recording":null|{"file":"...","rows":9,"trouble":""},"reload":null|{"at":"22:41:03","taken":true,"text":""},
     "log":[{"at":"22:41:03","level":"warning","text":"..."}],"faults":[{"text":"...","cure":"..."}]}
bench: when it changes, at most 10 a second. The keys of a gauge are those of `flight.snapshot.BenchSnapshot`,
and `yours`, whether this browser holds it. `stopped` is who has stopped all needles.
    {"type":"bench","stopped":null|"guest 2","gauges":{"airspeed":{"holder":"guest 1","yours":true,...}}}
training: to those who may move, when it changes, at most twice a second: an instructor's view. `kinds` is
what can fail, `in_force` what has, `truth` the needles that would show something else without it.
    {"type":"training","scenario":null|"Frost at Brackmoor","needles":["airspeed.needle"],
     "kinds":[{"kind":"static_blocked","meaning":"...","of_a_needle":false,
               "parameters":[{"name":"over_s","meaning","unit","low","high","default","needed"}]}],
     "in_force":[{"name":"static_blocked","meaning":"..."}],
     "truth":[{"pointer":"airspeed.needle","unit":"kt","shown":20.1,"true":100.0}]}
test: while a gauge is tested (`prove --page`), when it changes. The keys are those of
`proof.desk.DeskSnapshot`; what the needle should show is not among them.
    {"type":"test","pointer":"airspeed.needle","unit":"kt","taken":3,"planned":56,"asks":"read",
     "purpose":"scale","falling":false,"cycle":1,"tapped":false,"setting_inhg":null,"file":"...","trouble":"",
     "hindered":""}
answer: to each command, in their order; to `save` once it is written. `id` is null for a message without one.
    {"type":"answer","id":7,"error":null|"a sentence"}

Browser to server
-----------------
Commands as in messages.py: {"id":7,"do":"jog","gauge":"airspeed","by":10,"unit":"step"}. A message that is
too long, too many of them, or three wrong tokens: an answer without id that states so, then the connection is
closed (code 1008, with the same reason). `enter` with a name that somebody else has takes it with a number
behind; a name can't be changed while its owner holds a gauge. A browser that comes back under its name within
five seconds still holds its gauge. Every message is a sign of life of whoever sends it.
"""

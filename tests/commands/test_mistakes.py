"""Bad input of every kind: the place, what was found, what was expected, and what to do about it."""

from __future__ import annotations

import argparse
import itertools
import json
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bridge import cli
from bridge.commands import demo
from bridge.errors import BoardError
from tests.commands.started import CIRCUIT, change, command, environment, started, told
from tests.conftest import PATIENCE_S, ROOT, wait_until

MISTAKES = {  # file, what was there, what is there now, what must be in the message
    "unknown unit": (
        "layouts/labelled-text.toml",
        'unit = "ft"',
        'unit = "furlong"',
        ["labelled-text.toml: fields.1.unit", "unknown unit 'furlong'", "Known: NM, ft, km, m, mi, nmi"],
    ),
    "unknown quantity": (
        "layouts/labelled-text.toml",
        'quantity = "pitch"',
        'quantity = "pich"',
        ["labelled-text.toml: fields.9.quantity", "unknown quantity 'pich'", "Did you mean pitch"],
    ),
    "unknown indication": (
        "panel.toml",
        'indication = "vertical_speed"',
        'indication = "vertical_sped"',
        [
            "gauges.vertical_speed.pointers.needle.indication",
            "'vertical_sped'",
            "Did you mean vertical_speed",
        ],
    ),
    "two pointers on one channel": (
        "panel.toml",
        'board = "left"\nchannel = 1',
        'board = "left"\nchannel = 0',
        ["gauges.altimeter.pointers.thousands.channel", "gauges.altimeter.pointers.hundreds", "its own"],
    ),
    "curve that turns back": (
        "calibration/airspeed.toml",
        "[80, 108, 109.1]",
        "[80, 108, 50]",
        ["airspeed.toml: needle.points", "angle 50 at reading 80 follows 66.9", "turns back", "Measure"],
    ),
    "readings out of order": (
        "calibration/airspeed.toml",
        "[80, 108, 109.1]",
        "[50, 108, 109.1]",
        ["airspeed.toml: needle.points", "reading 50 follows 60", "in order"],
    ),
    "gear train with a zero": (
        "panel.toml",
        "[drives.geared] ",
        '[drives.geared]\ngear_train = ["32/9", "0/11"]\n#',
        ["panel.toml: drives.geared.gear_train.1", "'0/11'", "above zero", "tooth"],
    ),
    "gear train over zero": (
        "panel.toml",
        "[drives.geared] ",
        '[drives.geared]\ngear_train = ["32/0"]\n#',
        ["panel.toml: drives.geared.gear_train.0", "'32/0'", "teeth over teeth"],
    ),
    "unknown key": (
        "panel.toml",
        "tick_hz",
        "tickhz",
        ["panel.toml: tickhz", "unknown key", "Did you mean tick_hz"],
    ),
    "no TOML": ("panel.toml", "tick_hz =", "tick_hz = =", ["panel.toml:", "line 6", "Correct that line"]),
    "missing file": (
        "panel.toml",
        "calibration/heading.toml",
        "calibration/heding.toml",
        ["heding.toml", "no such file", "Check the path"],
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_a_description_is_explained(panel: Path, tmp_path: Path, mistake: str) -> None:
    file, old, new, words = MISTAKES[mistake]
    change(panel.parent / file, old, new)
    told(command(tmp_path, "run", panel), *words)


def test_all_mistakes_are_reported_at_once(panel: Path, tmp_path: Path) -> None:
    for mistake in ("curve that turns back", "unknown indication", "unknown unit"):
        file, old, new, _ = MISTAKES[mistake]
        change(panel.parent / file, old, new)
    told(command(tmp_path, "run", panel), "needle.points", "vertical_sped", "furlong")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("log", "words"),
    [
        ("pressure_altitude[ft]\n1000\n", ["log.csv:1", "time[s]"]),
        ("time[s],pressure_altitude\n0,1000\n", ["log.csv:1", "column 2", "pressure_altitude[ft]"]),
        ("time[s],pressure_altitude[furlong]\n0,1\n", ["log.csv:1", "column 2", "unknown unit 'furlong'"]),
        ("time[s],presure_altitude[ft]\n0,1\n", ["log.csv:1", "Did you mean pressure_altitude"]),
        ("time[s],pressure_altitude[ft]\n", ["log.csv", "no line"]),
    ],
)
def test_a_mistake_in_a_log_is_explained(tmp_path: Path, log: str, words: list[str]) -> None:
    (tmp_path / "log.csv").write_text(log, encoding="utf-8")
    panel = ROOT / "config" / "panel.toml"
    told(command(tmp_path, "replay", "log.csv", "--panel", panel, "--speed", "max"), *words)


@pytest.mark.slow
def test_a_bad_cell_of_a_log_is_named_and_the_others_fly(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("time[s],pressure_altitude[ft]\n0,1\n1,high\n2,3\n", encoding="utf-8")
    panel = ROOT / "config" / "panel.toml"
    flown = command(tmp_path, "replay", "log.csv", "--panel", panel, "--speed", "max")
    assert flown.returncode == 0
    assert "flown: 2.0 s" in flown.stdout
    assert "log.csv:3" in flown.stderr and "'high'" in flown.stderr


@pytest.mark.slow
def test_a_gauge_whose_column_is_missing_from_the_log_is_named_and_others_fly(tmp_path: Path) -> None:
    rows = "".join(f"{n / 20:.2f},1000\n" for n in range(40))
    (tmp_path / "log.csv").write_text(f"time[s],pressure_altitude[ft]\n{rows}", encoding="utf-8")
    panel = ROOT / "config" / "panel.toml"
    result = command(tmp_path, "replay", "log.csv", "--panel", panel, "--speed", "max")
    assert result.returncode == 0
    lacking = re.findall(r"gauge lacks telemetry +gauge=(\w+) why=(.+)", result.stderr)
    assert {gauge for gauge, _ in lacking} == {"airspeed", "turn", "heading", "attitude"}
    assert "calibrated_airspeed" in dict(lacking)["airspeed"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run", "nothing.toml"], ["nothing.toml", "no such file"]),
        (["replay", "nothing.csv"], ["nothing.csv", "Check the path"]),
        (["demo", "--speed", "fast"], ["--speed", "'fast'", "a factor above 0, or max"]),
        (["demo", "--from", "99999"], ["circuit.csv", "no line from 99999 s", "--from"]),
        (["demo", "--to", "20", "--trace", "no-folder/t.csv"], ["no-folder", "a file that can be written"]),
        (["listen", "--on", "here"], ["--on", "here"]),
        (["listen", "--on", "127.0.0.1:0", "--layout", "nothing.toml"], ["nothing.toml", "no such file"]),
    ],
)
def test_a_mistake_in_an_option_is_explained(panel: Path, arguments: list[str], words: list[str]) -> None:
    told(command(panel.parent.parent, *arguments), *words)


@pytest.mark.parametrize("option", ["--from", "--to"])
@pytest.mark.parametrize("value", ["nan", "inf", "soon", ""])
def test_a_time_that_is_none_is_explained(tmp_path: Path, option: str, value: str) -> None:
    result = command(tmp_path, "demo", f"{option}={value}")
    assert result.returncode == 2
    expected = f"argument {option}: found {value!r}; expected seconds of the log, such as 80 or 12.5"
    assert expected in result.stderr


@pytest.mark.slow
def test_a_port_in_use_is_explained(panel: Path, tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        place = f"127.0.0.1:{other.getsockname()[1]}"
        file = panel.read_text(encoding="utf-8")
        panel.write_text(re.sub(r"listen = \"127.0.0.1:\d+\"", f'listen = "{place}"', file), encoding="utf-8")
        for words in (["run", panel], ["listen", panel], ["listen", "--on", place]):
            told(
                command(tmp_path, *words),
                f"listen {place}: found that port in use by another program; expected a free port",
                "Stop the other program",
            )


def test_a_recording_never_overwrites_another(panel: Path, tmp_path: Path) -> None:
    (tmp_path / "flight.csv").write_text("mine", encoding="utf-8")
    told(
        command(tmp_path, "run", panel, "--record", "flight.csv"),
        "flight.csv: found a file that is there already; expected a new one",
    )
    assert (tmp_path / "flight.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.slow
def test_a_trace_never_overwrites_what_is_not_a_trace(panel: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(b"".join(CIRCUIT.read_bytes().splitlines(keepends=True)[:40]))
    before = log.read_bytes(), panel.read_bytes()
    for file in (log, panel):
        told(
            command(tmp_path, "replay", log, "--panel", panel, "--speed", "max", "--trace", file),
            f"{file}: found a file that this command reads; expected another file",
        )
    (tmp_path / "notes.csv").write_text("mine", encoding="utf-8")
    told(
        command(tmp_path, "replay", log, "--panel", panel, "--speed", "max", "--trace", "notes.csv"),
        "notes.csv: found a file that pointer-bridge did not write",
    )
    assert (log.read_bytes(), panel.read_bytes()) == before
    assert (tmp_path / "notes.csv").read_text(encoding="utf-8") == "mine"
    for _ in range(2):
        again = command(tmp_path, "replay", log, "--panel", panel, "--speed", "max", "--trace", "trace.csv")
        assert again.returncode == 0, again.stderr


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="a device of Linux")
def test_a_full_disk_is_reported_in_one_line(panel: Path, tmp_path: Path) -> None:
    """/dev/full refuses every byte, as a full disk does."""
    flown = command(tmp_path, "demo", "--speed", "max", "--to", "5", "--trace", "/dev/full")
    assert flown.returncode == 1
    assert "flown: 5.0 s" in flown.stdout
    assert flown.stderr.count("trace ended") == 1
    assert "No space left on device" in flown.stderr
    assert "Traceback" not in flown.stderr
    for option in ("--html", "--json"):
        result = command(tmp_path, "check", panel, option, "/dev/full")
        assert result.returncode == 2
        assert "/dev/full: found No space left on device; expected" in result.stderr
        assert len(result.stderr.splitlines()) == 1
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        for words in (["check", panel], ["faces", panel, "--out", "faces"]):
            result = subprocess.run(
                [sys.executable, "-m", "bridge.cli", *map(str, words)],
                cwd=tmp_path,
                env=environment(tmp_path),
                stdout=full,
                stderr=subprocess.PIPE,
                text=True,
                timeout=PATIENCE_S,
                check=False,
            )
            assert result.returncode == 2
            assert result.stderr == f"pointer-bridge {words[0]}: [Errno 28] No space left on device\n"


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "geteuid") or sys.platform != "linux", reason="limits of Linux")
def test_a_file_that_may_not_grow_is_reported_in_one_line(panel: Path, tmp_path: Path) -> None:
    """A limit on the size of files stops a drawing halfway: nothing is left of it."""
    for words in (["faces", panel], ["wiring", panel], ["firmware", "left", "--panel", panel]):
        line = shlex.join([sys.executable, "-m", "bridge.cli", *map(str, words), "--out", "out"])
        result = subprocess.run(
            ["sh", "-c", f"ulimit -f 8; exec {line}"],
            cwd=tmp_path,
            env={**environment(tmp_path), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
        told(result, "found File too large; expected a file that can be written")
        assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.parametrize("words", [["faces"], ["wiring"], ["firmware", "left", "--panel"]])
@pytest.mark.parametrize("out", ["a-file", "a-file/below", "no/folder"])
def test_a_folder_that_can_not_be_made_is_explained(
    panel: Path, tmp_path: Path, words: list[str], out: str
) -> None:
    (tmp_path / "a-file").write_text("mine", encoding="utf-8")
    told(command(tmp_path, *words, panel, "--out", out), out, "a file that can be written")
    assert (tmp_path / "a-file").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "no").exists()


@pytest.mark.slow
def test_with_a_view_into_a_file_the_log_is_whole_on_stderr(tmp_path: Path) -> None:
    panel = ROOT / "config" / "panel.toml"
    flight = ("--to", "2", "--speed", "max", "--virtual")
    result = command(tmp_path, "replay", CIRCUIT, "--panel", panel, *flight, "--view", "--json")
    assert result.returncode == 0
    lines = [json.loads(line) for line in result.stderr.splitlines()]
    assert len(lines) > 10
    assert any(line["event"] == "board" and line["why"] for line in lines)
    assert "altimeter.hundreds" in result.stdout


@pytest.mark.slow
def test_output_may_be_cut_short_by_its_reader(tmp_path: Path) -> None:
    """As `pointer-bridge check ... | head -1` does."""
    with subprocess.Popen(
        [sys.executable, "-m", "bridge.cli", "check", str(ROOT / "config" / "panel.toml")],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout
        assert process.stderr
        process.stdout.readline()
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="a device of Linux")
def test_listen_whose_output_fails_ends_in_one_line(tmp_path: Path) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        result = subprocess.run(
            [sys.executable, "-m", "bridge.cli", "listen", "--on", "127.0.0.1:0"],
            cwd=tmp_path,
            env=environment(tmp_path),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
    assert result.returncode == 2
    assert result.stderr == "pointer-bridge listen: [Errno 28] No space left on device\n"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="pipes")
def test_listen_may_be_cut_short_by_its_reader(tmp_path: Path) -> None:
    """As `pointer-bridge listen | head -1` does, once datagrams come; each makes a line of every second."""
    with (
        subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", "listen", "--on", "127.0.0.1:0"],
            cwd=tmp_path,
            env={**environment(tmp_path)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        assert process.stdout
        assert process.stderr
        port = int(process.stdout.readline().partition(":")[2].partition(":")[0])
        process.stdout.close()

        def ended() -> bool:
            sender.sendto(b"hi", ("127.0.0.1", port))
            return process.poll() is not None

        wait_until(ended, "the end")
        assert process.stderr.read() == ""
        assert process.returncode == 0


HOSTILE = "a\x1b]0;title\x07\x1b[2J\x9b"


def test_what_a_command_reports_can_not_steer_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever it was raised by: a board, a library, the operating system."""

    def fail(_: argparse.Namespace) -> int:
        parts = [BoardError("left", f"{HOSTILE}\nand more"), OSError(HOSTILE)]
        raise ExceptionGroup("tasks", parts)

    monkeypatch.setattr(demo, "run", fail)
    assert cli.main(["demo"]) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 3
    assert all(letter.isprintable() for letter in said if letter != "\n")
    assert said.count(r"a\x1b]0;title\x07\x1b[2J\x9b") == 2


@pytest.mark.parametrize("name", [f"{HOSTILE}.toml", "two\nlines.toml"])
def test_a_file_whose_name_steers_terminals_is_named_in_plain_letters(tmp_path: Path, name: str) -> None:
    said = command(tmp_path, "check", name).stderr
    assert "no such file" in said
    assert len(said.splitlines()) == 1
    assert all(letter.isprintable() for letter in said.removesuffix("\n"))


@pytest.mark.slow
def test_times_of_a_loop_go_on_rising(tmp_path: Path) -> None:
    """`--loop` never ends by itself; the reader of the trace sees time go on over the seam."""
    panel = ROOT / "config" / "panel.toml"
    window = ("--from", "100", "--to", "101", "--speed", "max", "--loop")
    trace = tmp_path / "trace.csv"
    with started(tmp_path, "replay", CIRCUIT, "--panel", panel, *window, "--trace", trace) as loop:
        wait_until(
            lambda: sum(file.stat().st_size for file in tmp_path.glob("trace.csv.*.part")) > 400_000,
            "a second round of the trace",
        )
        assert loop.stop(signal.SIGINT) == 0
    lines = trace.read_text(encoding="utf-8").splitlines()[1:]
    times = [float(line.split(",")[0]) for line in lines]
    assert times[-1] > 102
    assert all(b - a == pytest.approx(0.01, abs=2e-4) for a, b in itertools.pairwise(times))

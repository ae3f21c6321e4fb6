"""`run` on virtual boards whatever is described, with its trace; words that the command line refuses."""

from __future__ import annotations

import csv
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.started import environment, started
from tests.conftest import PATIENCE_S, wait_until
from tests.flight.one_gauge import one_gauge

LAYOUT = 'kind = "keyvalue"\nname = "own"\n[[fields]]\nkey = "rpm"\nquantity = "engine_speed"\nunit = "rpm"\n'
SOURCE = '[[sources]]\nlisten = "127.0.0.1:0"\nlayouts = ["own.toml"]\n'


@pytest.mark.slow
def test_a_real_board_is_left_alone_and_the_trace_has_the_virtual_one(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(LAYOUT)
    panel = tmp_path / "panel.toml"
    panel.write_text(SOURCE + one_gauge("last", port="/dev/ttyUSB99"))
    trace = tmp_path / "trace.csv"
    with started(tmp_path, "run", panel, "--virtual", "--trace", trace) as run:
        run.wait_for("state=ready")
        run.wait_for("127.0.0.1:")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:

            def traced() -> bool:
                sender.sendto(b"rpm=2000", ("127.0.0.1", run.port))
                part = next(tmp_path.glob("*trace.csv*"), None)
                return part is not None and b"2000," in part.read_bytes()

            wait_until(traced, "the reading in the trace")
        assert run.stop(signal.SIGINT) == 0, run.output
    with trace.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[-1]["raw.engine_speed[rpm]"] == "2000"
    assert float(rows[-1]["tachometer.needle.target[step]"]) == pytest.approx(
        180.0 * 3.0
    )  # a third of a degree
    times = [float(row["time[s]"]) for row in rows]
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (
            ["run", "--vieuw"],
            "run: --vieuw: found an unknown option; expected one of its options. Did you mean --view",
        ),
        (["run", "--bogus"], "Known: --help, --json, --metrics"),
        (["run", "a.toml", "b.toml"], "run: b.toml: found one word too many"),
        (["rnu"], "pointer-bridge: rnu: found an unknown command; expected a command. Did you mean run"),
    ],
)
def test_what_it_does_not_take_is_answered_with_what_it_does(
    words: list[str], answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from bridge.cli import main

    assert main(words) == 2
    assert answer in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "completed"),
    [
        ("pointer-bridge re", {"replay", "relay"}),
        ("pointer-bridge run --tr", {"--trace "}),
        ("pointer-bridge check --reference --sch", {"--schema "}),
        ("pointer-bridge begin own --gauge oil_t", {"oil_temperature "}),
        ("pointer-bridge begin own --motor bipolar-400", {"bipolar-400-nema17 "}),
    ],
)
def test_a_shell_that_asks_gets_commands_options_and_names(
    line: str, completed: set[str], tmp_path: Path
) -> None:
    """The protocol of argcomplete: the line in the environment, the words into the file that is named."""
    answer = tmp_path / "answer"
    asked = {"_ARGCOMPLETE": "1", "COMP_LINE": line, "COMP_POINT": str(len(line)), "_ARGCOMPLETE_IFS": "\n"}
    asked["_ARGCOMPLETE_STDOUT_FILENAME"] = str(answer)
    subprocess.run(
        [sys.executable, "-m", "bridge.cli"],
        env={**environment(tmp_path), **asked},
        check=True,
        timeout=PATIENCE_S,
    )
    assert set(answer.read_text().split("\n")) == completed


def test_help_does_not_load_what_only_a_shell_asks_for(tmp_path: Path) -> None:
    code = "import sys, bridge.cli\ntry: bridge.cli.main(['--help'])\nexcept SystemExit: pass\n"
    code += "print('argcomplete' in sys.modules, 'pydantic' in sys.modules)"
    result = subprocess.run(
        [sys.executable, "-c", code], env=environment(tmp_path), capture_output=True, text=True, check=True
    )
    assert result.stdout.splitlines()[-1] == "False False"

"""Beginning a panel: every ready gauge on every motor passes the check, and nothing is overwritten."""

from __future__ import annotations

import errno
import os
from argparse import ArgumentParser
from pathlib import Path

import pytest

from bridge.check.panel import check_panel
from bridge.commands import begin
from bridge.errors import BridgeError, DescriptionError
from bridge.panel.load import load_panel
from bridge.panel.ready_gauges import ready_gauge, ready_names


def run(*words: str) -> int:
    parser = ArgumentParser()
    begin.add_arguments(parser)
    return begin.run(parser.parse_args(words))


def failures(panel: Path) -> list[str]:
    return [
        f"{f.subject} {f.check}: {f.text}" for f in check_panel(load_panel(panel)) if f.severity == "failure"
    ]


def test_a_panel_of_one_gauge_is_short_and_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(tmp_path / "mine"), "--gauge", "airspeed", "--motor", "micro-servo-180") == 0
    text = (tmp_path / "mine" / "panel.toml").read_text()
    assert len(text.splitlines()) <= 25
    assert failures(tmp_path / "mine" / "panel.toml") == []
    said = capsys.readouterr().out
    assert [line.split()[1] for line in said.splitlines() if "pointer-bridge" in line] == [
        "check", "faces", "listen", "run",
    ]  # fmt: skip


@pytest.mark.parametrize("part", ["atmega328p", "atmega2560"])
def test_all_ready_gauges_at_once_are_spread_over_boards(part: str, tmp_path: Path) -> None:
    words = [word for name in ready_names() for word in ("--gauge", name)]
    assert run(str(tmp_path / "all"), *words, "--part", part) == 0
    assert failures(tmp_path / "all" / "panel.toml") == []
    assert len(load_panel(tmp_path / "all" / "panel.toml").description.gauges) == len(ready_names())


BOUNDED = [
    n
    for n in ready_names()
    if all(p["kind"] == "bounded" for p in ready_gauge(n).described["pointers"].values())
]


def test_every_ready_gauge_suits_a_coarse_motor(tmp_path: Path) -> None:
    """By gears, and no faster than it has torque."""
    words = [word for name in ready_names() for word in ("--gauge", name)]
    run(str(tmp_path / "all"), *words, "--motor", "unipolar-48-12v")
    assert failures(tmp_path / "all" / "panel.toml") == []


@pytest.mark.parametrize("motor", ["micro-servo-180", "standard-servo-180", "gauge-stepper-315"])
def test_every_bounded_gauge_suits_motors_with_stops(motor: str, tmp_path: Path) -> None:
    """But for one whose scale is too wide for the dead band of a small servo."""
    fine = [name for name in BOUNDED if (name, motor) != ("radio_altimeter", "micro-servo-180")]
    words = [word for name in fine for word in ("--gauge", name)]
    run(str(tmp_path / "all"), *words, "--motor", motor)
    assert failures(tmp_path / "all" / "panel.toml") == []


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "simulator.toml").write_text("mine")
    with pytest.raises(DescriptionError, match=r"simulator.toml: found a file that is there already"):
        run(str(tmp_path), "--gauge", "airspeed")
    assert [file.name for file in tmp_path.iterdir()] == ["simulator.toml"]
    assert (tmp_path / "simulator.toml").read_text() == "mine"


@pytest.mark.parametrize("place", ["a-file", "a-file/below", "no/folder"])
def test_a_folder_that_can_not_be_made_is_refused_as_by_every_command(place: str, tmp_path: Path) -> None:
    (tmp_path / "a-file").write_text("mine")
    with pytest.raises(DescriptionError, match=r"found (no such folder|a file where a folder is needed); "):
        run(str(tmp_path / place), "--gauge", "airspeed")
    assert [file.name for file in tmp_path.iterdir()] == ["a-file"]


def test_a_disk_that_fills_leaves_no_part_of_a_panel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = Path.write_bytes

    def fill(path: Path, data: bytes) -> int:
        if "simulator" in path.name:
            write(path, data[:10])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(path, data)

    monkeypatch.setattr(Path, "write_bytes", fill)
    with pytest.raises(DescriptionError, match=r"simulator.toml: found No space left on device"):
        run(str(tmp_path / "new"), "--gauge", "airspeed")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["--gauge", "radio_altimeter", "--motor", "micro-servo-180"],
            "does not stir for less than 53.96 ft",
        ),
        (["--gauge", "airspede"], "Did you mean airspeed"),
        (["--gauge", "airspeed", "--motor", "servo"], "an unknown motor 'servo'"),
        (["--gauge", "airspeed", "--part", "atmega329p"], "an unknown part"),
        (["--gauge", "altimeter", "--motor", "micro-servo-180"], "a motor that turns without end"),
        (["--gauge", "airspeed", "--motor", "continuous-servo"], "a motor that knows its place"),
        (["--gauge", "airspeed", "--gauge", "airspeed"], "airspeed twice"),
        (["--gauge", "airspeed", "--port", "COM3", "--port", "COM4"], "2 ports for 1 board; expected one"),
        (
            ["--gauge", "airspeed", "--port", "nowhere there"],
            "begin: boards.main: found the port 'nowhere there'",
        ),
        (["--gauge", "airspeed", "--motor", "a", "--motor", "b"], "2 motors for 1 gauge; expected one"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(words: list[str], said: str, tmp_path: Path) -> None:
    with pytest.raises(BridgeError) as raised:
        run(str(tmp_path / "new"), *words)
    assert said in str(raised.value)
    assert not (tmp_path / "new").exists()


def test_in_a_terminal_it_asks_and_enter_takes_the_default(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["clock, suction", "", "micro-servo-180", "", "/dev/ttyACM0", "yes"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", lambda question: next(answers))
    run(str(tmp_path / "asked"))
    panel = load_panel(tmp_path / "asked" / "panel.toml")
    assert list(panel.description.gauges) == ["clock", "suction"]
    assert {drive.motor for drive in panel.description.drives.values()} == {
        "geared-unipolar-5v",
        "micro-servo-180",
    }
    assert panel.description.boards["main"].port == "/dev/ttyACM0"
    assert panel.description.altimeter_setting.source == "knob"


def test_what_does_not_fit_is_asked_again_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = [
        "airspede", "altimeter, airspeed", "micro-servo-180", "", "servo", "micro-servo-180", "avr", "",
        "no:where", "COM3 COM3", "/dev/ttyUSB0", "perhaps", "no",
    ]  # fmt: skip
    answers = iter(typed)
    asked: list[str] = []

    def answer(question: str) -> str:
        asked.append(question.split(" [")[0])
        return next(answers)

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", answer)
    run(str(tmp_path / "asked"))
    ports = "Serial ports of the boards you have, as in /dev/ttyUSB0"
    assert asked == [
        *["Which gauges, with spaces between"] * 2, *["Motor of altimeter"] * 2, *["Motor of airspeed"] * 2,
        *["Microcontroller of the boards"] * 2, *[ports] * 3,
        *["A knob on a board for the altimeter setting, yes or no"] * 2,
    ]  # fmt: skip
    said = capsys.readouterr().out
    assert max(map(len, said.split("Begun")[0].splitlines())) <= 80
    words = " ".join(said.split())
    for reason in (
        "an unknown ready gauge 'airspede'", "micro-servo-180 for altimeter; expected a motor that turns",
        "an unknown motor 'servo'", "an unknown part 'avr'", "found the port 'no:where'",
        "found 2 ports for 1 board", "found 'perhaps'; expected yes or no",
    ):  # fmt: skip
        assert reason in words
    described = load_panel(tmp_path / "asked" / "panel.toml").description
    assert [board.port for board in described.boards.values()] == ["/dev/ttyUSB0"]


def test_a_folder_with_a_panel_is_refused_before_anything_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "panel.toml").write_text("mine")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", pytest.fail)
    with pytest.raises(DescriptionError, match=r"panel.toml: found a file that is there already"):
        run(str(tmp_path))


def test_enter_takes_the_options_that_were_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", lambda question: "")
    run(
        str(tmp_path / "asked"),
        "--motor",
        "micro-servo-180",
        "--part",
        "atmega2560",
        "--port",
        "COM4",
        "--knob",
    )
    described = load_panel(tmp_path / "asked" / "panel.toml").description
    assert {drive.motor for drive in described.drives.values()} == {"micro-servo-180"}
    assert {(board.part, board.port) for board in described.boards.values()} == {("atmega2560", "COM4")}
    assert described.altimeter_setting.source == "knob"


def test_enter_alone_makes_an_airspeed_indicator_on_a_virtual_board(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", lambda question: "")
    run(str(tmp_path / "asked"))
    described = load_panel(tmp_path / "asked" / "panel.toml").description
    assert list(described.gauges) == ["airspeed"]
    assert [board.is_virtual for board in described.boards.values()] == [True]
    assert described.altimeter_setting.source == "telemetry"


def test_ports_and_a_knob_go_to_the_boards_in_order(tmp_path: Path) -> None:
    words = [word for name in ready_names() for word in ("--gauge", name)]
    run(str(tmp_path / "all"), *words, "--port", "/dev/ttyUSB0", "--port", "COM3", "--knob")
    assert failures(tmp_path / "all" / "panel.toml") == []
    described = load_panel(tmp_path / "all" / "panel.toml").description
    first, second, *others = described.boards.values()
    assert (first.port, second.port) == ("/dev/ttyUSB0", "COM3")
    assert all(board.is_virtual for board in others)
    knob = described.altimeter_setting
    assert knob.source == "knob" and described.boards[knob.board or ""].inputs[0].kind == "encoder"


def test_the_end_of_the_input_ends_the_questions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def ended(question: str) -> str:
        raise EOFError

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", ended)
    with pytest.raises(KeyboardInterrupt):
        run(str(tmp_path / "asked"))
    assert not (tmp_path / "asked").exists()

"""Descriptions from strangers: no name or port of a panel file reaches compiler, make or shell as code.

What a panel may call a port is checked where it is read (tests/panel); here the port is put in behind that
check, so that what is written is safe by itself.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
import tomlkit
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.cli import main
from bridge.errors import DescriptionErrors
from bridge.firmware.generate import config_h, write_firmware
from bridge.panel.load import Panel, load_panel
from tests.firmware import built
from tests.firmware.test_generate import EXAMPLE, altered

SHARP = st.sampled_from("*/\\?$#'\"`();:%&|~ =,")
PORTS = st.text(
    st.one_of(st.characters(codec="utf-8").filter(str.isprintable), SHARP), min_size=1, max_size=24
)
NAMES = st.text(st.one_of(st.characters(codec="utf-8"), SHARP, st.sampled_from("\n\r\t")), max_size=24)


def reached(port: str) -> Panel:
    """The example panel with its board at this port, whatever it is."""
    panel = load_panel(EXAMPLE)
    board = panel.description.boards["example"].model_copy(update={"port": port})
    return replace(panel, description=panel.description.model_copy(update={"boards": {"example": board}}))


@settings(max_examples=40)
@given(NAMES)
@example("one */ #error")
@example("*\\")
@example("/* one")
@example("line\\")
@example("??/")
@example("\u202e")
@example("a\nb")
def test_a_header_compiles_whatever_the_panel_is_called(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    folder = tmp_path_factory.mktemp("hostile")
    document = tomlkit.parse(EXAMPLE.read_text(encoding="utf-8"))
    document["name"] = name
    (folder / "panel.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    try:
        panel = load_panel(folder / "panel.toml")
    except DescriptionErrors:
        return
    (folder / "config.h").write_text(config_h(panel, "example"), encoding="utf-8")
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-fsyntax-only", f"-I{folder}", "-Icore"]
    built.run("cc", *flags, "core/board.c")
    shutil.rmtree(folder)


@settings(max_examples=60)
@given(PORTS)
@example("$(shell touch harm)")
@example("'; touch harm; '")
@example("`touch harm`")
@example(" a b # c ")
@example("COM3\\")
@example("$$(HASH) 100%")
@example("${PART}")
def test_a_port_is_one_word_for_the_shell_and_make_runs_nothing_of_it(
    tmp_path_factory: pytest.TempPathFactory, port: str
) -> None:
    folder = tmp_path_factory.mktemp("hostile") / "out"
    write_firmware(reached(port), "example", folder)
    environment = os.environ | {"PORT": "/dev/other"}
    made = subprocess.run(
        ["make", "-n", "flash"], cwd=folder, capture_output=True, check=False, env=environment
    )
    assert made.returncode == 0, made.stderr
    words = shlex.split(made.stdout.decode().splitlines()[-1])
    assert words[words.index("-P") + 1] == port
    assert not (folder / "harm").exists()
    shutil.rmtree(folder)


def test_the_tool_that_flashes_gets_the_port_as_it_was_described(tmp_path: Path) -> None:
    """The real recipe, with an `avrdude` that writes down its words, and nothing left to build."""
    port = '/dev/it\'s $HOME `touch harm` "$(touch harm)" \\ #1'
    folder = tmp_path / "out"
    write_firmware(reached(port), "example", folder)
    tool = tmp_path / "avrdude"
    tool.write_text('#!/bin/sh\nfor word in "$@"; do printf "%s\\n" "$word"; done >words\n')
    tool.chmod(0o755)
    environment = os.environ | {"PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}"}
    board = folder / "build" / "atmega328p" / "board.elf"
    command = ["make", "-o", str(board.relative_to(folder)), "flash"]  # -o: take this file as made
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    words = (folder / "words").read_text().splitlines()
    assert words[words.index("-P") + 1] == port
    assert not (folder / "harm").exists()


def test_a_panel_file_with_a_command_in_its_port_is_refused_before_anything_is_written(
    tmp_path: Path,
) -> None:
    harmful = 'baud = 500000\nlink = "serial"\nport = "/dev/ttyUSB0\\n$(shell touch harm)"'
    panel = altered(tmp_path, ("baud = 500000", harmful))
    assert main(["firmware", "example", "--panel", str(panel), "--out", str(tmp_path / "out")]) == 2
    assert not (tmp_path / "out").exists()


def test_what_the_command_prints_can_be_pasted_into_a_shell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    panel = altered(tmp_path, ("baud = 500000", 'baud = 500000\nport = "/dev/ttyACM1"'))
    out = tmp_path / "a folder; of $mine"
    assert main(["firmware", "example", "--panel", str(panel), "--out", str(out)]) == 0
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert [shlex.split(line) for line in lines if line.startswith("make")] == [
        ["make", "-C", str(out)],
        ["make", "-C", str(out), "flash"],  # config.mk has the port
    ]
    assert 'port = "/dev/ttyACM1"' in lines

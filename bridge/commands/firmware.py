"""`pointer-bridge firmware`: the ready-to-build firmware folder of one board, and how to go on."""

from __future__ import annotations

import argparse
from pathlib import Path

from bridge.description import chosen
from bridge.firmware.generate import board_id, write_firmware
from bridge.panel.load import load_panel

_WORDS = """\
{folder}: the firmware of board {board}, an {part}, id {id}.

Build it: gcc-avr, avr-libc and make must be there (Debian: apt install gcc-avr avr-libc make avrdude).

    make -C {folder}
    make -C {folder} flash PORT={port}

A board whose boot loader is slower than avrdude expects wants SPEED=57600 as well; one without a boot loader
wants PROGRAMMER=usbasp, or the name of another programmer. The needles may move as soon as the firmware runs:
flash with the motor supply off, and read the cautions in {folder}/README.md before you switch it on.

Then tell the panel where the board is, under [boards.{board}]:

    link = "serial"
    port = "{port}"
    id = "{id}"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("board", help="the board's name in the panel description")
    parser.add_argument(
        "--panel", type=Path, required=True, metavar="FILE", help="the panel description (TOML)"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the firmware goes")


def run(args: argparse.Namespace) -> int:
    """Writes the folder and says how to build and flash it; raises `BridgeError` with every mistake."""
    panel = load_panel(args.panel)
    boards = panel.description.boards
    chosen(str(panel.path), "BOARD", "board", args.board, boards)
    write_firmware(panel, args.board, args.out)
    board = boards[args.board]
    words = {
        "folder": args.out,
        "board": args.board,
        "part": board.part,
        "id": board_id(panel, args.board).hex(),
    }
    print(_WORDS.format(port=board.port or "/dev/ttyUSB0", **words))
    return 0

"""`pointer-bridge firmware`: the ready-to-build firmware folder of one board, and how to go on."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from bridge.description import chosen
from bridge.firmware.generate import board_id, write_firmware
from bridge.panel.load import load_panel

_USUAL_PORT = "/dev/ttyUSB0"

_WORDS = """\
{folder}: the firmware of board {board}, an {part}, id {id}.

Build it: gcc-avr, avr-libc and make must be there (Debian: apt install gcc-avr avr-libc make avrdude).

    make -C {quoted}
    make -C {quoted} flash{port_word}

A board whose boot loader is slower than avrdude expects wants SPEED=57600 as well; one without a boot loader
wants PROGRAMMER= and its programmer's name in avrdude's list. The needles may move as soon as the firmware
runs: flash with the motor supply off, and read the cautions in {readme} before you switch it on.

Then enter where the board is in the panel description, under [boards.{board}]:

    link = "{link}"
    port = "{port}"
    id = "{id}"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what `pointer-bridge firmware` takes on the command line."""
    parser.add_argument("board", help="the board's name in the panel description")
    parser.add_argument(
        "--panel", type=Path, required=True, metavar="FILE", help="the panel description (TOML)"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the firmware goes")


def run(args: argparse.Namespace) -> int:
    """Write the folder and print how to build and flash it; raises `BridgeError` with every mistake."""
    panel = load_panel(args.panel)
    boards = panel.description.boards
    chosen(str(panel.path), "BOARD", "board", args.board, boards)
    write_firmware(panel, args.board, args.out)
    board = boards[args.board]
    words = {
        "folder": args.out,
        "quoted": shlex.quote(str(args.out)),
        "readme": args.out / "README.md",
        "board": args.board,
        "part": board.part,
        "link": board.link if board.kind.is_real else "serial",
        "id": board_id(panel, args.board).hex(),
        "port_word": "" if board.port else f" PORT={_USUAL_PORT}",  # config.mk has the port that is described
        "port": board.port or _USUAL_PORT,
    }
    print(_WORDS.format(**words))
    return 0

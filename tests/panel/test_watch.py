"""Watching the files of a description, on a real disk: what is a change, a mistake, or neither."""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import AsyncIterator, Iterator, MutableMapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from bridge.panel.load import Panel, load_panel
from bridge.panel.watch import changes
from tests.conftest import until

pytestmark = pytest.mark.slow

Lines = list[MutableMapping[str, Any]]


@pytest.fixture
def logged() -> Iterator[Lines]:
    with capture_logs() as lines:
        yield lines


@asynccontextmanager
async def watching(panel_file: Path) -> AsyncIterator[list[Panel]]:
    """All panels that have flown, the latest at the end."""
    flown = [load_panel(panel_file)]

    async def watch() -> None:
        async for panel in changes(lambda: flown[-1]):
            flown.append(panel)  # noqa: PERF401  (the watch reads the last one)

    calibrate(panel_file.parent, 0.01)
    task = asyncio.create_task(watch())
    try:
        await until(lambda: len(flown) == 2, "what was saved between loading and watching")
        yield flown
    finally:
        task.cancel()
        await asyncio.wait({task})


def calibrate(folder: Path, by_deg: float) -> None:
    """Move one point of a calibration by this."""
    file = folder / "calibration" / "airspeed.toml"
    changed = file.read_text().replace("[80, 108, 109.1]", f"[80, {108 + by_deg}, {109.1 + by_deg}]")
    file.write_text(changed)


def replace_folder(folder: Path) -> None:
    """As a tool does that writes a whole folder: a copy takes its name, and a changed one at that."""
    copy = folder.with_name("copy")
    shutil.copytree(folder, copy)
    restore(copy)
    calibrate(copy, 1.0)
    folder.rename(folder.with_name("old"))
    copy.rename(folder)


def delete_folder_and_write_it_again(folder: Path) -> None:
    kept = folder.with_name("kept")
    shutil.copytree(folder, kept)
    restore(kept)
    shutil.rmtree(folder)
    calibrate(kept, 1.0)
    shutil.copytree(kept, folder)


def restore(folder: Path) -> None:
    """Take back what `watching` changed."""
    file = folder / "calibration" / "airspeed.toml"
    file.write_text(file.read_text().replace("[80, 108.01, 109.11]", "[80, 108, 109.1]"))


@pytest.mark.parametrize("change", [replace_folder, delete_folder_and_write_it_again])
async def test_a_folder_that_is_made_anew_is_watched_like_the_one_before(change: Any, config: Path) -> None:
    async with watching(config / "panel.toml") as flown:
        change(config)
        await until(lambda: len(flown) == 3, "the change that came with the new folder")
        restored = config / "calibration" / "airspeed.toml"
        restored.write_text(restored.read_text().replace("[80, 109.0, 110.1]", "[80, 108.5, 109.6]"))
        await until(lambda: len(flown) == 4, "a change in the new folder")


async def test_what_is_saved_or_touched_but_the_same_is_not_taken_again(config: Path, logged: Lines) -> None:
    panel_file = config / "panel.toml"
    async with watching(panel_file) as flown:
        panel_file.write_text("# a remark\n" + panel_file.read_text())
        (config / "calibration" / "heading.toml").touch()
        panel_file.write_text(panel_file.read_text() + "\nnonsense = = 1\n")
        await until(lambda: logged, "a mistake, which is looked at after what was saved before")
        panel_file.write_text(panel_file.read_text().replace("\nnonsense = = 1\n", ""))
        await until(lambda: logged[-1]["event"] == "description is good again")
        assert len(flown) == 2
    assert [line["event"] for line in logged] == ["description not taken", "description is good again"]


def fifo(file: Path) -> None:
    file.unlink()
    os.mkfifo(file)


def gigabyte(file: Path) -> None:
    with file.open("r+b") as sparse:
        sparse.truncate(1_000_000_000)


def gone(file: Path) -> None:
    file.unlink()


@pytest.mark.parametrize(
    ("change", "words"),
    [(fifo, "no regular file"), (gigabyte, "1,000,000,000 bytes"), (gone, "no such file")],
    ids=["fifo", "gigabyte", "gone"],
)
@pytest.mark.parametrize("name", ["panel.toml", "layouts/labelled-text.toml"])
async def test_a_file_that_is_none_any_more_is_refused_in_words(
    change: Any, words: str, name: str, config: Path, logged: Lines
) -> None:
    file = config / name
    text = file.read_text()
    async with watching(config / "panel.toml") as flown:
        change(file)
        await until(lambda: logged, "the refusal")
        assert words in logged[0]["why"] and name in logged[0]["why"]
        file.unlink(missing_ok=True)
        file.write_text(text)
        calibrate_again = config / "calibration" / "airspeed.toml"
        calibrate_again.write_text(calibrate_again.read_text().replace("109.11]", "109.5]"))
        await until(lambda: len(flown) == 3, "the change after it")

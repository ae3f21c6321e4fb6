"""Files that a command writes: nothing of the user's is overwritten, nothing is left half written.

One rule for every output that can be made again (drawings, sheets, findings, firmware, a trace): a file
that is there already is replaced only if it carries pointer-bridge's mark. A recording can't be
made again and is never replaced (`bridge.telemetry.recorder`). What is named is made; the folder that it
lies in must be there. Everything is written under a temporary name beside its own and renamed when it is
whole. Pipes and devices (a name such as /dev/stdout) are written to as they are.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from io import FileIO
from pathlib import Path

from bridge.errors import DescriptionError, DescriptionErrors

MARK = "Written by pointer-bridge"
"""Written into every file that may be replaced, near its start or its end, in the words of its format."""

_MARK_WITHIN_BYTES = 65_536


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn a failure of the file system inside into one DescriptionError that names this file or folder."""
    try:
        yield
    except OSError as error:
        found = _in_words(error)
        cure = "Check the path, and whether the disk is full"
        raise DescriptionError(str(path), "", found, "a file that can be written", cure) from None


def _in_words(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such folder"
    if isinstance(error, (FileExistsError, NotADirectoryError)):
        return "a file where a folder is needed"
    return error.strerror or str(error) or type(error).__name__


def refuse_taken(paths: Iterable[Path], inputs: Iterable[Path] = (), mark: str = MARK) -> None:
    """Raise DescriptionErrors for every output that may not be written.

    Those are: one of the `inputs`, a file that lacks the mark, a folder, and two outputs that would be one
    file (also where upper and lower case are one).
    """
    read = {_identity(file) for file in inputs}
    taken: dict[str, Path] = {}
    errors = []
    for path in paths:
        same = str(_identity(path)).casefold()
        with writing(path):
            if _identity(path) in read:
                found, expected = "a file that this command reads", "another file"
            elif same in taken:
                found, expected = f"the same file as {taken[same]}", "a file for each"
            elif path.is_dir():
                found, expected = "a folder", "a file that can be written"
            elif path.is_file() and not _carries(path, mark):
                found, expected = "a file that pointer-bridge did not write", "a new file, or one of its own"
            else:
                taken[same] = path
                continue
        errors.append(
            DescriptionError(str(path), "", found, expected, "Choose another name, or move it away")
        )
    if errors:
        raise DescriptionErrors(errors)


def refuse_unwritable(path: Path) -> None:
    """Raise DescriptionError where this file could not be written: before a long work whose result it has."""
    final = _identity(path)
    if final.exists() and not final.is_file():
        return  # a device takes what comes
    part = part_name(final)
    with writing(path):
        part.touch()
        part.unlink()


def write_files(files: Mapping[Path, str | bytes], inputs: Iterable[Path] = ()) -> None:
    """Write all of these files or none; raises DescriptionErrors (see `refuse_taken`) or DescriptionError."""
    refuse_taken(files, inputs)
    put_files(files)


def write_folder(
    folder: Path, files: Iterable[tuple[str, str | bytes]], inputs: Iterable[Path]
) -> list[Path]:
    """Write these files, by name, into the folder, which is made if it is missing; returns their paths.

    Raises as `write_files` does, then with nothing written and no folder made.
    """
    named = [(folder / name, data) for name, data in files]
    refuse_taken([path for path, _ in named], inputs)
    put_files(dict(named), folder)
    return [path for path, _ in named]


def put_files(files: Mapping[Path, str | bytes], folder: Path | None = None) -> None:
    """Write all of these files or none, whatever is there; folders below `folder` are made, and itself.

    Raises DescriptionError when one can't be written.
    """
    made: list[Path] = []
    written: list[tuple[Path, Path]] = []
    try:
        for path, data in files.items():
            content = data.encode() if isinstance(data, str) else data
            with writing(path):
                if folder is not None:
                    made += _make_folders(path.parent, folder)
                if path.exists() and not path.is_file():
                    path.write_bytes(content)
                    continue
                final = _identity(path)
                part = part_name(final)
                written.append((part, final))
                part.write_bytes(content)
        for part, final in written:
            with writing(final):
                part.replace(final)
    except BaseException:
        for part, _ in written:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        for empty in reversed(made):
            with contextlib.suppress(OSError):
                empty.rmdir()
        raise


def part_name(path: Path) -> Path:
    """The name beside this one under which its content is gathered; another process has another."""
    return path.with_name(f"{path.name}.{os.getpid()}.part")


class LineFile:
    """An open file that holds whole lines only: a line that could be written in part is cut off again.

    Takes the open file over; `path` is its name.
    """

    def __init__(self, file: FileIO, path: Path) -> None:
        self._file = file
        self._size = 0
        self._is_regular = path.is_file()
        self._is_whole = True

    def append(self, data: bytes) -> tuple[bytes, OSError | None]:
        """Add the data; returns what could not be added, from the start of a line, and why."""
        written = 0
        try:
            self._cut_back()
            while written < len(data):
                written += self._file.write(memoryview(data)[written:])
        except OSError as error:
            whole = data.rfind(b"\n", 0, written) + 1
            self._size += whole
            self._is_whole = False
            with contextlib.suppress(OSError):  # tried again before the next append
                self._cut_back()
            return data[whole:], error
        self._size += len(data)
        return b"", None

    def _cut_back(self) -> None:
        if not self._is_whole and self._is_regular:
            self._file.truncate(self._size)
            self._file.seek(self._size)
        self._is_whole = True

    def close(self) -> None:
        """Close the file with all of it on the disk; raises OSError where that fails."""
        try:
            if self._is_regular:
                os.fsync(self._file.fileno())
        finally:
            self._file.close()


def _make_folders(parent: Path, folder: Path) -> list[Path]:
    """Make `folder` and those between it and `parent`; returns those that were missing, outermost first."""
    between = [parent, *parent.parents]
    missing = [level for level in between[: between.index(folder) + 1] if not level.is_dir()]
    for level in reversed(missing):
        level.mkdir()
    return missing[::-1]


def _identity(path: Path) -> Path:
    return Path(os.path.realpath(path))


def _carries(path: Path, mark: str) -> bool:
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        start = file.read(_MARK_WITHIN_BYTES)
        file.seek(max(0, size - _MARK_WITHIN_BYTES))
        end = file.read(_MARK_WITHIN_BYTES)
    return mark.encode() in start or mark.encode() in end

"""Outputs: nothing of the user's is overwritten, nothing is left half written, every failure is in words."""

from __future__ import annotations

import stat
import sys
from pathlib import Path

import pytest

from bridge.errors import DescriptionError, DescriptionErrors
from bridge.outputs import MARK, LineFile, refuse_taken, write_files, write_folder, writing


def test_a_file_of_the_users_is_kept_and_one_of_ours_is_replaced(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("mine")
    with pytest.raises(DescriptionErrors, match="did not write; expected a new file"):
        write_files({page: f"<!-- {MARK} -->"})
    assert page.read_text() == "mine"
    page.unlink()
    write_files({page: f"first <!-- {MARK} -->"})
    write_files({page: f"second <!-- {MARK} -->"})
    assert page.read_text().startswith("second")
    assert [file.name for file in tmp_path.iterdir()] == ["page.html"]


def test_the_mark_is_found_at_the_end_of_a_large_file(tmp_path: Path) -> None:
    page = tmp_path / "page.pdf"
    page.write_bytes(bytes(300_000) + MARK.encode())
    refuse_taken([page])
    page.write_bytes(bytes(300_000) + MARK.encode() + bytes(300_000))
    with pytest.raises(DescriptionErrors):
        refuse_taken([page])


def test_an_input_is_no_output_by_whatever_name(tmp_path: Path) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_text(f"# {MARK}")
    (tmp_path / "link.toml").symlink_to(panel)
    for name in ("panel.toml", "link.toml", "../" + tmp_path.name + "/panel.toml"):
        with pytest.raises(DescriptionErrors, match="a file that this command reads"):
            write_files({tmp_path / name: MARK}, [panel])
    assert panel.read_text() == f"# {MARK}"


@pytest.mark.parametrize("second", ["a.svg", "A.svg", "../out/a.svg"])
def test_two_outputs_of_one_name_are_refused(tmp_path: Path, second: str) -> None:
    with pytest.raises(DescriptionErrors, match="the same file as"):
        write_folder(tmp_path / "out", [("a.svg", MARK), (second, MARK)], [])
    assert not (tmp_path / "out").exists()


def test_every_file_in_the_way_is_named_at_once(tmp_path: Path) -> None:
    for name in ("a.svg", "b.svg"):
        (tmp_path / name).write_text("mine")
    with pytest.raises(DescriptionErrors) as refused:
        write_folder(tmp_path, [("a.svg", MARK), ("b.svg", MARK), ("c.svg", MARK)], [])
    assert "a.svg" in str(refused.value) and "b.svg" in str(refused.value)
    assert not (tmp_path / "c.svg").exists()


def test_a_folder_is_made_and_those_above_it_are_not(tmp_path: Path) -> None:
    assert write_folder(tmp_path / "out", [("a.svg", MARK), ("core/b.c", MARK)], []) == [
        tmp_path / "out" / "a.svg",
        tmp_path / "out" / "core" / "b.c",
    ]
    for make in (
        lambda: write_folder(tmp_path / "no" / "out", [("a.svg", MARK)], []),
        lambda: write_files({tmp_path / "no" / "a.html": MARK}),
    ):
        with pytest.raises(DescriptionError, match=r"found no such folder; expected a file"):
            make()
    assert not (tmp_path / "no").exists()


def test_a_disk_that_fills_leaves_the_old_files_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_files({tmp_path / "a.html": f"old {MARK}"})
    write_bytes = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if "b.json" in self.name:
            write_bytes(self, data[: len(data) // 2])
            raise OSError(28, "No space left on device")
        return write_bytes(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(
        DescriptionError, match=r"b\.json: found No space left on device; expected .+ full\.$"
    ):
        write_files({tmp_path / "a.html": f"new {MARK}", tmp_path / "b.json": MARK})
    assert [file.name for file in tmp_path.iterdir()] == ["a.html"]
    assert (tmp_path / "a.html").read_text() == f"old {MARK}"
    with pytest.raises(DescriptionError, match="No space left"):
        write_folder(tmp_path / "out", [("core/a.svg", MARK), ("b.json", MARK)], [])
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="devices of Linux")
def test_a_device_is_written_to_as_it_is() -> None:
    write_files({Path("/dev/null"): "anything"})
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)
    with pytest.raises(DescriptionError, match="/dev/full: found No space left on device"):
        write_files({Path("/dev/full"): "anything"})


def test_a_link_to_a_file_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "there.html").write_text(MARK)
    (tmp_path / "here.html").symlink_to(tmp_path / "there.html")
    write_files({tmp_path / "here.html": f"new {MARK}"})
    assert (tmp_path / "here.html").is_symlink()
    assert (tmp_path / "there.html").read_text() == f"new {MARK}"


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_a_link_that_leads_in_a_circle_and_a_name_too_long_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.html").symlink_to("b.html")
    (tmp_path / "b.html").symlink_to("a.html")
    with pytest.raises(DescriptionError, match="too long"):
        write_files({tmp_path / ("x" * 300): MARK})
    with pytest.raises((DescriptionError, DescriptionErrors)):
        write_folder(tmp_path / "a.html" / "out", [("a", MARK)], [])


def test_a_failure_without_words_of_the_system_still_has_some() -> None:
    with pytest.raises(DescriptionError, match=r"x\.html: found it broke; expected"), writing(Path("x.html")):
        raise OSError("it broke")
    with pytest.raises(DescriptionError, match=r"x\.html: found OSError; expected"), writing(Path("x.html")):
        raise OSError


def test_lines_cut_in_two_are_cut_off(tmp_path: Path) -> None:
    from io import FileIO

    class Full(FileIO):
        room = 6

        def write(self, data: object) -> int:
            if self.room == 0:
                raise OSError(28, "No space left on device")
            written = super().write(memoryview(data)[: self.room])  # type: ignore[arg-type]
            self.room -= written
            return written

    file = Full(tmp_path / "log.csv", "w")
    lines = LineFile(file, tmp_path / "log.csv")
    left, error = lines.append(b"1,2\n3,4\n")
    assert left == b"3,4\n" and error is not None
    file.room = 100
    assert lines.append(left) == (b"", None)
    lines.close()
    assert (tmp_path / "log.csv").read_bytes() == b"1,2\n3,4\n"

"""Recording: what is written is what was given, nothing waits for the disk, a full disk is outlived."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import threading
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from bridge.errors import DescriptionError
from bridge.outputs import LineFile
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import LogWriter
from tests.conftest import PATIENCE_S, wait_until

QUANTITIES = {"pitch": (-90.0, 90.0), "pressure_altitude": (-5000.0, 120_000.0), "mach": (0.0, 10.0)}


@given(
    st.lists(
        st.tuples(
            st.floats(0, 10),
            st.fixed_dictionaries({}, optional={name: st.floats(*ends) for name, ends in QUANTITIES.items()}),
        ),
        max_size=30,
    )
)
@settings(max_examples=50)
def test_a_recording_holds_exactly_what_was_given(moments: list[tuple[float, dict[str, float]]]) -> None:
    moments.sort(key=lambda moment: moment[0])
    with TemporaryDirectory() as folder:
        path = Path(folder) / "flight.csv"
        writer = LogWriter(path, QUANTITIES)
        for time_s, readings in moments:
            writer.record(time_s, readings)
        writer.close()
        with path.open(encoding="utf-8", newline="") as file:
            header, *rows = csv.reader(file)
        read = list(read_log(path))
    assert header == ["time[s]", "pitch[deg]", "pressure_altitude[ft]", "mach[1]"]
    assert [
        {name: float(cell) for name, cell in zip(QUANTITIES, row[1:], strict=True) if cell} for row in rows
    ] == [readings for _, readings in moments]
    assert [readings for _, readings in read] == [readings for _, readings in moments]
    start_s = moments[0][0] if moments else 0.0
    assert [time_s for time_s, _ in read] == pytest.approx(
        [time_s - start_s for time_s, _ in moments], abs=1e-6
    )


async def test_rows_reach_the_file_while_flying_and_quantities_without_a_column_are_skipped(
    tmp_path: Path,
) -> None:
    path = tmp_path / "flight.csv"
    async with LogWriter(path, ["pitch"]) as writer:
        writer.record(100.0, {"pitch": 1.5, "bank": 2.0})
        writer.record(100.25, {"bank": 2.0})
        wait_until(lambda: path.read_bytes().count(b"\n") == 3)
    assert path.read_bytes() == b"time[s],pitch[deg]\r\n0.0,1.5\r\n0.25,\r\n"
    assert writer.state == "closed"


def test_a_log_that_is_there_already_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "flight.csv"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(DescriptionError, match="there already"):
        LogWriter(path, ["pitch"])
    assert path.read_text(encoding="utf-8") == "precious"


def test_a_file_that_can_not_be_made_is_explained(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="a file that can be written"):
        LogWriter(tmp_path / "nowhere" / "flight.csv", ["pitch"])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device that is always full is Linux's")
def test_a_device_that_is_always_full_fails_the_recording_once_and_nothing_else() -> None:
    with capture_logs() as logs:
        writer = LogWriter(Path("/dev/full"), ["pitch"])
        for i in range(100):
            writer.record(i / 20, {"pitch": 1.0})
        wait_until(lambda: writer.state == "failed")
        writer.record(6.0, {"pitch": 1.0})
        writer.close()
    assert [line["log_level"] for line in logs if line["event"].startswith("recording failed")] == ["error"]
    assert writer.lost == 101


FULL_DISK = """
import json, resource, sys
from pathlib import Path
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import LogWriter
from tests.conftest import wait_until

path = Path(sys.argv[1])
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
writer = LogWriter(path, ["pitch"])
count = 0

def has_failed():
    global count
    writer.record(count / 20, {"pitch": count / 7 % 90})
    count += 1
    return writer.state == "failed"

wait_until(has_failed, "the recording failed")
meanwhile = [time_s for time_s, _ in read_log(path)]
whole = path.read_bytes().endswith(b"\\n")
for _ in range(50):
    writer.record(count / 20, {"pitch": count / 7 % 90})
    count += 1
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
wait_until(lambda: writer.state == "writing", "writing again")
writer.record(count / 20, {"pitch": 1.0})
writer.close()
print(json.dumps({"given": count + 1, "meanwhile": len(meanwhile), "whole": whole, "lost": writer.lost}))
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="limits a file's size as POSIX does")
def test_a_disk_that_fills_and_has_room_again_costs_no_row_and_leaves_a_valid_log_all_along(
    tmp_path: Path,
) -> None:
    """A process that may write no more than 2,000 bytes to a file: its writes stop halfway, then fail."""
    path = tmp_path / "flight.csv"
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=3 * PATIENCE_S,
    )
    report = json.loads(done.stdout.splitlines()[-1])
    assert report["whole"]
    assert report["lost"] == 0
    assert done.stdout.count("recording failed") == 1
    assert done.stdout.count("recording again") == 1
    read = list(read_log(path))
    assert 50 < report["meanwhile"] < len(read) == report["given"]
    assert [time_s for time_s, _ in read] == pytest.approx([i / 20 for i in range(report["given"])])


def test_a_disk_that_hangs_never_makes_the_needles_wait_and_lost_rows_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hanging, released = threading.Event(), threading.Event()
    append = LineFile.append

    def hang(self: LineFile, data: bytes) -> tuple[bytes, OSError | None]:
        hanging.set()
        released.wait()
        return append(self, data)

    monkeypatch.setattr(LineFile, "append", hang)
    path = tmp_path / "flight.csv"
    writer = LogWriter(path, ["pitch"])
    try:
        assert hanging.wait(PATIENCE_S)
        with capture_logs() as logs:
            for i in range(20_050):
                writer.record(i / 20, {"pitch": 1.0})
            lost = writer.lost
            released.set()
            writer.close()
    finally:
        released.set()  # or the writer's thread would hang for ever
    assert lost == 50
    assert sum(1 for _ in read_log(path)) == 20_000
    assert [line["rows_lost"] for line in logs if line["event"] == "recording closed"] == [50]
    assert any(line["event"] == "recording loses rows" for line in logs)

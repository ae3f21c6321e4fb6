"""The bench on the live service: a crooked linkage calibrated and saved in flight, on a clock that jumps."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.boards.virtual.link import VirtualLink
from bridge.errors import BenchError, DescriptionError
from bridge.flight.gauge_bench import GaugeBench
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import load_panel
from tests.calibration.crooked import CrookedLinkage
from tests.clock import on_jumping_clock
from tests.conftest import until

ME = "guest 1"
NEEDLE = ("right", 0)
LEAST_STEP_DEG = 1 / 3  # of the gauge stepper of the airspeed indicator: 945 steps for 315 degrees


class Eye:
    """Sees the needle of the airspeed indicator, which a crooked linkage with play moves."""

    def __init__(self, service: Service, linkage: CrookedLinkage) -> None:
        self.service = service
        self.linkage = linkage

    @property
    def pointer_deg(self) -> float:
        """Where the needle is on its face."""
        return self.linkage.needle_deg

    def mark_deg(self, reading: float) -> float:
        """Where the mark of this reading is on the face."""
        return self.service.running.chain.pointers[NEEDLE].pointer.face(reading)

    async def follow(self) -> None:
        """Let the linkage follow the motor of the virtual board, for as long as this runs."""
        link = self.service.boards["right"].link
        assert isinstance(link, VirtualLink)
        pointer = self.service.running.chain.pointers[NEEDLE].pointer
        while True:
            self.linkage.drive_to(pointer.drive_deg(link.board.channel(0).place))
            await asyncio.sleep(0.01)


@asynccontextmanager
async def at_the_bench(
    config: Path, linkage: CrookedLinkage
) -> AsyncIterator[tuple[Service, GaugeBench, Eye]]:
    """The demo panel without telemetry, its airspeed indicator taken, and signs of life of its holder."""
    service = Service(load_panel(config / "panel.toml"), sources=FixedSources())
    run = asyncio.create_task(service.run())
    await service.started.wait()
    bench = service.benches.take("airspeed", ME, service.clock())
    eye = Eye(service, linkage)

    async def live() -> None:
        while True:
            service.benches.heard(ME, service.clock())
            await asyncio.sleep(1.0)

    others = [asyncio.create_task(live()), asyncio.create_task(eye.follow())]
    try:
        await until(lambda: bench.known, "a known position")
        yield service, bench, eye
    finally:
        for task in others:
            task.cancel()
        service.stop()
        await asyncio.wait({run, *others})
    run.result()


async def at_rest(bench: GaugeBench) -> None:
    await until(lambda: not bench.moving, "the needle at rest")
    await asyncio.sleep(0.05)  # of the jumping clock: the board is one frame behind


async def calibrate(bench: GaugeBench, eye: Eye) -> int:
    """Put the needle on every mark from both sides, with two sizes of jog; returns the presses of keys."""
    presses = 1
    bench.mark(0)
    while not bench.snapshot().done:
        await at_rest(bench)
        off_deg = eye.mark_deg(bench.snapshot().mark) - eye.pointer_deg
        presses += 1
        if abs(off_deg) > 0.6 * LEAST_STEP_DEG:
            by = 10 if abs(off_deg) > 7 * LEAST_STEP_DEG else 1
            bench.jog(by if off_deg > 0.0 else -by, "step")
        else:
            bench.capture()
    return presses


@pytest.mark.slow
@on_jumping_clock
async def test_a_crooked_linkage_with_backlash_is_right_within_a_step_in_under_five_minutes(
    config: Path,
) -> None:
    """An arbor 3 degrees out of true, 3 degrees of backlash: a whole calibration, saved and taken in flight.

    Two seconds for a press, and the time that the needle needs: common practice, no source.
    """
    before = (config / "calibration" / "airspeed.toml").read_text()
    async with at_the_bench(config, CrookedLinkage(-3.0, 3.0, arm_deg=-50.0)) as (service, bench, eye):
        begun_s = service.clock()
        presses = await calibrate(bench, eye)
        moving_s = service.clock() - begun_s
        assert presses <= 80, "eight marks, both ways"
        assert 2.0 * presses + moving_s < 300.0
        snapshot = bench.snapshot()
        assert len(snapshot.captures) == 16
        assert all(play == pytest.approx(3.0, abs=2 * LEAST_STEP_DEG) for _, play in snapshot.backlash_deg)
        assert len(snapshot.backlash_deg) == 8

        panel = service.running.panel
        await service.saves.save("airspeed", ME)
        assert bench.snapshot().captures == ()
        assert bench.snapshot().note == "saved: airspeed.toml; the version before is beside it"
        await until(lambda: service.running.panel is not panel, "the reload")
        assert service.benches.at("airspeed", ME) is bench, "still held"
        assert not bench.snapshot().unsaved
        bench.go(100.0)
        await at_rest(bench)
        assert abs(eye.pointer_deg - eye.mark_deg(100.0)) <= LEAST_STEP_DEG, "the new curve is in force"
        service.benches.release("airspeed", ME)
        needle = service.running.chain.pointers[NEEDLE]
        worst_deg = 0.0
        for readings in (range(40, 181, 5), range(175, 39, -5)):
            for reading in readings:
                needle.glide(reading)
                await until(lambda: needle.position == needle.target, "the needle there")
                await asyncio.sleep(0.1)
                worst_deg = max(worst_deg, abs(eye.pointer_deg - eye.mark_deg(reading)))
        assert worst_deg <= LEAST_STEP_DEG + 0.02, "within one step, up and down"
    folder = config / "calibration"
    assert (folder / "airspeed.toml.before").read_text() == before
    after = (folder / "airspeed.toml").read_text()
    assert after.startswith("# Measured on the bench against the printed face"), "comments stay"
    assert len(tomllib.loads(after)["needle"]["falling"]) >= 8


@on_jumping_clock
async def test_what_can_not_be_saved_is_refused_in_words_and_the_file_stays(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    before = file.read_text()
    async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (service, bench, _):
        with pytest.raises(BenchError, match="nothing is captured yet"):
            await service.saves.save("airspeed", ME)
        with pytest.raises(BenchError, match="held by guest 1, not by you"):
            await service.saves.save("airspeed", "guest 2")
        bench.mark(2)
        await at_rest(bench)
        bench.capture(160.0)
        with pytest.raises(BenchError, match=r"not saved: from below: .*Capture that mark"):
            await service.saves.save("airspeed", ME)
        bench.undo()
        await at_rest(bench)
        bench.mark(2)
        await at_rest(bench)
        bench.capture()
        (config / "calibration" / "airspeed.toml.new").mkdir()
        with pytest.raises(DescriptionError, match="can't be written"):
            await service.saves.save("airspeed", ME)
        assert len(bench.draft.captures) == 1, "nothing is lost"
        assert file.read_text() == before
        (config / "calibration" / "airspeed.toml.new").rmdir()
        await at_rest(bench)
        saving = asyncio.create_task(service.saves.save("airspeed", ME))
        await asyncio.sleep(0)
        bench.capture()  # while the file is being written
        await saving
        assert len(bench.draft.captures) == 1, "what was captured since is not lost either"


@on_jumping_clock
async def test_what_is_written_counts_as_saved_also_when_whoever_asked_has_left(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    before = file.read_text()
    async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (service, bench, _):
        bench.mark(2)
        await at_rest(bench)
        bench.capture()
        saving = asyncio.create_task(service.saves.save("airspeed", ME))
        await asyncio.sleep(0)
        with pytest.raises(
            BenchError, match="airspeed is being saved"
        ):  # it would replace the version before
            await service.saves.save("airspeed", ME)
        saving.cancel()
        await asyncio.wait({saving})
        assert saving.cancelled()
        await until(lambda: not bench.snapshot().unsaved, "saved")
        assert file.read_text() != before
        bench.mark(1)
        await at_rest(bench)
        bench.capture()
        (config / "calibration" / "airspeed.toml.new").mkdir()
        with capture_logs() as logs:
            saving = asyncio.create_task(service.saves.save("airspeed", ME))
            await asyncio.sleep(0)
            saving.cancel()
            await until(lambda: logs, "the log line")
        assert (logs[0]["event"], logs[0]["gauge"]) == ("calibration not saved", "airspeed")
        assert bench.snapshot().unsaved


@on_jumping_clock
async def test_two_gauges_saved_at_once_both_get_their_line_in_the_description(config: Path) -> None:
    async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (service, _, _):
        names = ("turn", "attitude")
        for name in names:
            bench = service.benches.take(name, ME, service.clock())
            await until(lambda bench=bench: bench.known, "a known position")  # type: ignore[misc]
            bench.mark(0)
            await at_rest(bench)
            bench.jog(1, "step")
            await at_rest(bench)
            bench.capture()
        panel = service.running.panel
        await asyncio.gather(*(service.saves.save(name, ME) for name in names))
        await until(lambda: service.running.panel is not panel, "the reload")
        for name in names:
            assert service.running.panel.description.gauges[name].calibration == f"calibration/{name}.toml"
            assert not service.benches.at(name, ME).snapshot().unsaved


@on_jumping_clock
async def test_a_sweep_ends_with_the_flight(config: Path) -> None:
    with capture_logs() as logs:
        async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (_, bench, _):
            bench.go(100.0)
            await at_rest(bench)
            bench.sweep()
            await asyncio.sleep(1.0)
            assert bench.moving
    assert "stopped before every pointer was reported at rest" not in {line["event"] for line in logs}


@on_jumping_clock
async def test_a_bench_that_fails_leaves_the_others_flying(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with capture_logs() as logs:
        async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (service, bench, _):

            def fail(time_s: float) -> None:
                raise RuntimeError("of this test")

            monkeypatch.setattr(bench, "tick", fail)
            bank = service.running.chain.pointers["centre", 2]
            bank.glide(10.0)
            await until(lambda: bank.position == bank.target, "the bank pointer there")
            monkeypatch.undo()
            bench.go(100.0)
            await at_rest(bench)
    assert [line["event"] for line in logs if line["log_level"] == "error"] == ["bench not advanced"]


@on_jumping_clock
async def test_what_happens_at_the_bench_is_logged(config: Path) -> None:
    with capture_logs() as logs:
        async with at_the_bench(config, CrookedLinkage(0.0, 0.0)) as (service, _, _):
            service.benches.stop_all("guest 2")
            await asyncio.sleep(0.1)
            service.benches.go_on(ME)
            service.benches.release("airspeed", ME)
            await asyncio.sleep(0.1)
    lines = [(line["event"], line.get("by") or line.get("holder")) for line in logs]
    for line in (
        ("gauge at the bench", ME),
        ("all needles stopped", "guest 2"),
        ("needles go on", ME),
        ("gauge back from the bench", ME),
    ):
        assert line in lines

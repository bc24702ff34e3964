"""Stamps of scans, steps of the clock, and scans that come while others are stored."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from quick_site import one_bank, settings_of
from record_judge import blocks_of
from running_service import SettableClock

from loggerd.clock import SystemClock
from loggerd.model.channels import MISSING
from loggerd.model.scan import ClockState, Scan
from loggerd.recorder import Recorder
from loggerd.recording import Recording
from loggerd.sources.base import DeviceEvent
from loggerd.store.record import RecordReader


class StandingClock:
    """Stands where it is put."""

    def __init__(self) -> None:
        self.mono, self.wall, self.said = 5_000, 1_790_000_000_000, ClockState.SET

    def mono_ms(self) -> int:
        return self.mono

    def wall_ms(self) -> int:
        return self.wall

    def state(self) -> ClockState:
        return self.said

    async def sleep_until(self, mono_ms: int) -> None:
        self.mono = max(self.mono, mono_ms)


def recorder(clock: StandingClock) -> Recorder:
    return Recorder(clock, 3, {"shunt": (1, 2), "taps": (7,)})


@given(st.lists(st.tuples(st.sampled_from(("shunt", "taps")), st.integers(-2, 5)), min_size=1, max_size=50))
def test_stamps_rise_strictly_over_all_devices_in_the_order_of_the_scans(moves: list[tuple[str, int]]) -> None:
    clock = StandingClock()
    keeper = recorder(clock)
    for number, (device, milliseconds) in enumerate(moves):
        clock.mono += milliseconds
        keeper.scan(Scan(device, (number, MISSING) if device == "shunt" else (number,)))
    blocks, _ = keeper.take()
    stamped = sorted(
        (int(at), int(count)) for one in blocks for at, count in zip(one.mono_ms, one.counts[0], strict=True)
    )
    assert [count for _, count in stamped] == list(range(len(moves)))
    assert len({at for at, _ in stamped}) == len(moves)


def test_a_block_holds_what_the_clock_said_and_what_the_device_sent() -> None:
    clock = StandingClock()
    keeper = recorder(clock)
    keeper.scan(Scan("shunt", (10, MISSING)))
    clock.mono, clock.wall, clock.said = 6_000, 1_790_000_000_400, ClockState.NOT_SET
    keeper.scan(Scan("shunt", (-11, 2**40)))
    (block,), events = keeper.take()
    assert (block.device, block.boot, block.series) == ("shunt", 3, (1, 2))
    assert block.mono_ms.tolist() == [5_000, 6_000]
    assert block.wall_minus_mono_ms.tolist() == [1_790_000_000_000 - 5_000, 1_790_000_000_400 - 6_000]
    assert block.clock.tolist() == [0, 1]
    assert [column.tolist() for column in block.counts] == [[10, -11], [MISSING, 2**40]]
    assert all(column.dtype == np.int64 for column in block.counts)
    assert events == ()
    assert keeper.take() == ((), ())


def test_a_step_of_the_wall_clock_is_told_once_and_a_drift_of_milliseconds_is_not() -> None:
    clock = StandingClock()
    keeper = recorder(clock)
    for wall_step in (0, 300, -200, 3_600_000, 1, -86_400_000, 0):
        clock.mono += 1_000
        clock.wall += 1_000 + wall_step
        keeper.scan(Scan("taps", (1,)))
    _, events = keeper.take()
    assert [(event.kind, event.subject) for event in events] == [("clock_step", "clock")] * 2
    assert "forward by 3600.1 s" in events[0].text
    assert "back by 86400.0 s" in events[1].text
    assert events[1].wall_ms == clock.wall - 1_000
    assert events[1].mono_ms == clock.mono - 1_000


def test_what_devices_say_is_kept_with_its_time() -> None:
    clock = StandingClock()
    keeper = recorder(clock)
    keeper.event(DeviceEvent("taps", "lost", "no answer"))
    _, (event,) = keeper.take()
    assert (event.session, event.mono_ms, event.wall_ms) == (3, clock.mono, clock.wall)
    assert (event.kind, event.subject, event.text) == ("lost", "taps", "no answer")


def test_scans_that_come_while_others_are_stored_are_stored_once(tmp_path: Path) -> None:
    settings = settings_of(one_bank(tmp_path, 502))
    path = Path(settings.record.path)
    recording = Recording.open(settings, path, SystemClock(), None)
    ready = threading.Barrier(2)

    def read() -> None:
        ready.wait()
        for number in range(20_000):
            recording.scan(Scan("shunt", (number, 2400)))

    reading = threading.Thread(target=read)
    reading.start()
    ready.wait()
    commits = 0
    while reading.is_alive():
        recording.commit()
        commits += 1
    reading.join()
    recording.commit_rest()
    recording.close()
    counts = [count for block in blocks_of(path, ("house",)) for count in block.counts[0].tolist()]
    assert counts == list(range(20_000))
    assert commits > 2


def test_a_clock_that_was_set_between_two_sessions_is_kept_with_each(tmp_path: Path) -> None:
    settings = settings_of(one_bank(tmp_path, 502))
    clock = SettableClock(1_000)
    clock.said = ClockState.NOT_SET
    for _ in range(2):
        recording = Recording.open(settings, Path(settings.record.path), clock, None)
        recording.scan(Scan("shunt", (1, 2)))
        recording.commit_rest()
        recording.close()
        clock.said = ClockState.SET
        clock.step(1_790_000_000_000)
    reader = RecordReader.open(Path(settings.record.path))
    try:
        sessions = reader.sessions()
    finally:
        reader.close()
    assert [session.began_clock for session in sessions] == [ClockState.NOT_SET, ClockState.SET]
    assert [session.last_clock for session in sessions] == [ClockState.NOT_SET, ClockState.SET]
    assert sessions[0].began_wall_ms < 60_000
    assert sessions[1].began_wall_ms > 1_790_000_000_000

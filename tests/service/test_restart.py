"""Stopping and starting is a non-event; a corrected setting begins a new telling, and the old one stays."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from quick_bank import QuickBank
from quick_site import AMPS, VOLTS, bank, device, one_bank, settings_of, two_banks, write_site
from record_judge import announced, blocks_of, judge_caught_up, judge_ledger, missing, stored_entries
from running_service import SettableClock, running
from until import until

from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.scan import ClockState
from loggerd.store.record import RecordReader, Revision

SPEED = 4
AGO = "2020-01-01T00:00:00Z"


def revisions(path: Path) -> list[Revision]:
    reader = RecordReader.open(path)
    try:
        return reader.revisions("house")
    finally:
        reader.close()


def cli(*words: str) -> str:
    done = subprocess.run([sys.executable, "-m", "loggerd", *words], check=True, capture_output=True, text=True)
    return done.stdout


def cycles(settings: Path, *words: str) -> dict[str, Any]:
    """What `loggerd cycles` tells."""
    found: dict[str, Any] = json.loads(cli("cycles", str(settings), "--bank", "house", "--json", *words))
    return found


async def read(settings: Path, clock: SettableClock, announcements: int) -> list[str]:
    """Run the service until it has announced so often; stop it in order."""
    said: list[str] = []
    async with running(settings_of(settings), clock, said.append):
        await until(lambda: len(said) >= announcements)
    return said


@pytest.mark.parametrize("state", list(ClockState))
async def test_many_stops_and_starts_change_nothing(tmp_path: Path, state: ClockState) -> None:
    said: list[str] = []
    clock = SettableClock(speed=SPEED)
    clock.said = state
    step = 1.2 / SPEED
    async with QuickBank(step_seconds=step) as first, QuickBank(step_seconds=step) as second:
        settings = two_banks(tmp_path, [first.port, second.port], poll_seconds=0.2, commit_seconds=1)
        for number in range(15):
            said += await read(settings, clock, 5 + number % 3 * 10)
    path = tmp_path / "record.sqlite"
    blocks = blocks_of(path, ("house", "boat"))
    found = announced("".join(f"{line}\n" for line in said).encode())
    assert missing(found, blocks) == {}
    # Stopped in order: nothing that was read is left unsaid.
    assert sum(map(len, blocks)) == sum(map(len, found.values()))
    assert {block.boot for block in blocks} == set(range(1, 16))
    for name in ("house", "boat"):
        judge_ledger(settings_of(settings), name)
        phases = judge_caught_up(settings_of(settings), name).settled[LedgerName.PHASES]
        assert len(phases) > 8
        across = [phase for phase in phases if phase.start.session != phase.end.session]
        assert bool(across) == (state is ClockState.SET), "a known pause is part of what goes on, an unknown one is not"
    assert len(revisions(path)) == 1


async def test_a_stop_and_start_without_any_reading_between_is_a_non_event(tmp_path: Path) -> None:
    clock = SettableClock(speed=SPEED)
    async with QuickBank(step_seconds=1.2 / SPEED) as quick:
        settings = one_bank(tmp_path, quick.port, commit_seconds=1, poll_seconds=0.2)
        await read(settings, clock, 12)
        before = cycles(settings)
        await quick.hang_up()
    for _ in range(3):
        async with running(settings_of(settings), clock):
            pass
    assert cycles(settings) == before
    judge_caught_up(settings_of(settings), "house")


def shunt_site(folder: Path, port: int, correction: str = "") -> Path:
    """A 50 mV shunt, read in hundredths of a millivolt; then what a keeper corrects."""
    amps = AMPS + "shunt = { rated_amps = 500, rated_millivolts = 50 }\n" + correction
    current = ("amps", 0, 0.01, "mV")
    shunt = device("shunt", "house", port, (current, VOLTS), poll_seconds=0.2, amps=amps)
    return write_site(folder, bank("house"), shunt, commit_seconds=1)


CORRECTION = f"""
[[device.channel.correction]]
since = {AGO}
shunt = {{ rated_amps = 500, rated_millivolts = 75 }}
because = "the shunt is a 75 mV type"
"""


def discharged(document: dict[str, Any]) -> list[float]:
    return [phase["amp_hours"] for phase in document["phases"] if phase["kind"] == "discharge" and phase["complete"]]


@pytest.mark.parametrize("by", ["restart", "recompute"])
async def test_a_corrected_shunt_begins_a_new_revision_and_the_old_one_stays(tmp_path: Path, by: str) -> None:
    clock = SettableClock(speed=SPEED)
    async with QuickBank(step_seconds=1.2 / SPEED) as quick:
        settings = shunt_site(tmp_path, quick.port)
        await read(settings, clock, 24)
        before = cycles(settings, "--revision", "1")
        shunt_site(tmp_path, quick.port, CORRECTION)
        if by == "restart":
            await read(settings, clock, 8)
        else:
            assert "revision 2" in cli("recompute", str(settings), "--because", "75 mV, by its plate")
    path = tmp_path / "record.sqlite"
    first, second = revisions(path)
    assert second.reason == ("service started" if by == "restart" else "75 mV, by its plate")
    assert first.fingerprint != second.fingerprint
    judge_caught_up(settings_of(settings), "house")
    assert cycles(settings, "--revision", "1") == before
    after = cycles(settings, "--revision", "2")
    assert cycles(settings)["phases"][: len(after["phases"])] == after["phases"]
    old, new = discharged(before), discharged(after)
    assert len(old) >= 2
    assert new[: len(old)] == pytest.approx([amp_hours * 50 / 75 for amp_hours in old], rel=1e-3)
    assert "75 mV" in cli("cycles", str(settings), "--revisions") or by == "restart"


async def test_recomputing_without_a_change_keeps_the_revision(tmp_path: Path) -> None:
    async with QuickBank(step_seconds=1.2 / SPEED) as quick:
        settings = one_bank(tmp_path, quick.port, commit_seconds=1, poll_seconds=0.2)
        await read(settings, SettableClock(speed=SPEED), 20)
    before = cycles(settings)
    assert "revision 1 is up to date" in cli("recompute", str(settings))
    assert cycles(settings) == before
    assert len(revisions(tmp_path / "record.sqlite")) == 1


async def test_an_old_place_of_a_channel_keeps_its_old_scale(tmp_path: Path) -> None:
    """The current moves to another register, with the other sign: what was read at the old one stays as it was."""
    clock = SettableClock(speed=SPEED)
    async with QuickBank(step_seconds=1.2 / SPEED) as quick:
        settings = one_bank(tmp_path, quick.port, commit_seconds=1, poll_seconds=0.2)
        await read(settings, clock, 24)
        moved, amps = ("amps", 7, 0.1, "A"), AMPS + 'sign = "discharge_positive"\n'
        shunt = device("shunt", "house", quick.port, (moved, VOLTS), poll_seconds=0.2, amps=amps)
        write_site(tmp_path, bank("house"), shunt, commit_seconds=1)
        clock.step(3_600_000)
        await read(settings, clock, 24)
    path = tmp_path / "record.sqlite"
    assert len(revisions(path)) == 2
    whole = judge_caught_up(settings_of(settings), "house")
    phases = stored_entries(path, "house", 1)[LedgerName.PHASES]
    again = whole.settled[LedgerName.PHASES]
    assert len(phases) > 4
    assert told_amp_hours(again[: len(phases)]) == told_amp_hours(phases)
    later = [phase for phase in again if phase.start.session == 2]
    assert max(told_amp_hours(later)) == pytest.approx(max(told_amp_hours(phases)), rel=0.1)


def told_amp_hours(phases: list[Entry] | tuple[Entry, ...]) -> list[float]:
    return [phase.figure("amp_hours").value or 0.0 for phase in phases]


async def test_a_damaged_state_of_the_analysis_is_made_anew_from_the_readings(tmp_path: Path) -> None:
    import sqlite3

    clock = SettableClock(speed=SPEED)
    async with QuickBank(step_seconds=1.2 / SPEED) as quick:
        settings = one_bank(tmp_path, quick.port, commit_seconds=1, poll_seconds=0.2)
        await read(settings, clock, 20)
        before = stored_entries(tmp_path / "record.sqlite", "house")
        connection = sqlite3.connect(tmp_path / "record.sqlite")
        connection.execute("UPDATE checkpoint SET state = substr(state, 2)")
        connection.commit()
        connection.close()
        await read(settings, clock, 5)
    first, second = revisions(tmp_path / "record.sqlite")
    assert first.fingerprint == second.fingerprint
    assert "damaged" in second.reason
    judge_caught_up(settings_of(settings), "house")
    after = stored_entries(tmp_path / "record.sqlite", "house")
    for ledger, entries in before.items():
        assert after[ledger][: len(entries)] == entries

"""Kill -9 of the running service at random instants, under load: what it announced is there, and the ledgers agree."""

from __future__ import annotations

import asyncio
import os
import random
import signal
from collections import Counter
from pathlib import Path

import pytest
from quick_bank import QuickBank
from quick_site import settings_of, two_banks
from record_judge import announced, blocks_of, integrity, judge_caught_up, judge_ledger, missing, rising
from service_process import ServiceProcess

from loggerd.store.record import Position

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
KILLS = 200
SIDE_BY_SIDE = 2
BANKS = ("house", "boat")


def judge_last_session(record: Path, said: bytes) -> None:
    """All that this run announced is in the record."""
    found = announced(said)
    for session in {session for session, _ in found}:
        gone = missing(found, blocks_of(record, BANKS, Position(session, -1)))
        assert not gone, gone


async def live_and_be_killed(service: ServiceProcess, rng: random.Random, tally: Counter[str]) -> None:
    """One run: it ends at a random instant, now and then while it is still starting."""
    await service.start()
    if rng.random() < 0.8:
        await service.announced()
        await asyncio.sleep(rng.uniform(0, 0.8))
    else:
        await asyncio.sleep(rng.uniform(0.2, 1.2))
        tally["killed while starting"] += 1
    code, said = await service.finish(signal.SIGKILL)
    assert code == -signal.SIGKILL, said.decode()


async def kill_often(folder: Path, ports: list[int], seed: int, kills: int) -> Counter[str]:
    rng = random.Random(seed)
    settings = two_banks(folder, ports, commit_seconds=rng.choice((0.2, 0.3)))
    record, tally = folder / "record.sqlite", Counter[str]()
    everything = b""
    for number in range(kills):
        async with ServiceProcess(settings, folder / f"ack-{number}") as service:
            await live_and_be_killed(service, rng, tally)
        everything += service.said[: service.said.rfind(b"\n") + 1]
        tally["kills"] += 1
        if record.exists() and service.said:
            judge_last_session(record, service.said)
        if number % 20 == 19:
            assert integrity(record) == "ok"
            for bank in BANKS:
                judge_ledger(settings_of(settings), bank)
    async with ServiceProcess(settings, folder / "ack-last") as last:
        await last.start()
        await last.announced(600)
        await last.stop()
    everything += last.said
    judge_end(settings, everything, tally)
    return tally


def judge_end(settings: Path, everything: bytes, tally: Counter[str]) -> None:
    record = settings.parent / "record.sqlite"
    found = announced(everything)
    blocks = blocks_of(record, BANKS)
    assert missing(found, blocks) == {}
    assert rising(blocks)
    assert integrity(record) == "ok"
    tally["readings announced"] += sum(map(len, found.values()))
    tally["readings stored"] += sum(map(len, blocks))
    for bank in BANKS:
        whole = judge_caught_up(settings_of(settings), bank)
        assert all(whole.settled[ledger] for ledger in whole.settled), "a ledger that stayed empty proves nothing"
        tally["ledger entries"] += whole.count()


@pytest.mark.long
@pytest.mark.timeout(900)
async def test_no_kill_loses_what_was_announced_and_the_ledger_is_that_of_one_fold(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    async with QuickBank() as first, QuickBank() as second:
        runs = []
        for number in range(SIDE_BY_SIDE):
            folder = tmp_path / str(number)
            folder.mkdir()
            runs.append(kill_often(folder, [first.port, second.port], SEED + number, KILLS // SIDE_BY_SIDE))
        tally = sum(await asyncio.gather(*runs), Counter[str]())
        assert first.functions | second.functions <= {1, 2, 3, 4}
    print(dict(tally))
    assert tally["kills"] == KILLS
    assert tally["readings stored"] >= tally["readings announced"] > 20 * KILLS

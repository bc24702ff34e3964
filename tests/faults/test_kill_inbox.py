"""Kill -9 of commands and of the service at random instants: no request is lost, none counts twice."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import pytest
from hand_recording import HandClock, note, opened, reading, site

from loggerd.inbox import Inbox, new_uid
from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader, RecordWriter
from loggerd.taking_in import LOG_ENTRY, take_in_here

SEED = int(os.environ.get("LOGGERD_TEST_SEED", random.SystemRandom().randrange(10**6)))
KILLS = 40

starter = multiprocessing.get_context("forkserver")
starter.set_forkserver_preload(["loggerd.recording", "loggerd.settings.load", "loggerd.taking_in"])


def log_of(record: Path) -> list[str]:
    with closing(RecordReader.open(record)) as reader:
        return [one.entry.uid for one in reader.log_entries()]


def said(ack: Path, word: str) -> list[str]:
    """uids that were announced so; a last line that was cut short does not count."""
    text = ack.read_text()
    lines = [line.split() for line in text[: text.rfind("\n") + 1].splitlines()]
    return [uid for first, uid in lines if first == word]


def kill_at_random(process: BaseProcess, ack: Path, rng: random.Random, most_seconds: float) -> None:
    """Work has begun when something new is announced; then the instant is random."""
    process.start()
    size = ack.stat().st_size
    while ack.stat().st_size == size and process.is_alive():
        time.sleep(0.001)
    time.sleep(rng.uniform(0, most_seconds))
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    assert process.exitcode == -signal.SIGKILL
    process.close()


def ask_again_and_again(settings_path: str, ack_path: str) -> None:
    """A command that finds no service, many times over: puts a request in, and takes it in itself."""
    settings = load_settings(Path(settings_path))
    record = Path(settings.record.path)
    inbox, clock, ack = Inbox(record), HandClock(), os.open(ack_path, os.O_WRONLY | os.O_APPEND)
    for number in range(10**6):
        uid = new_uid()
        inbox.put(LOG_ENTRY, uid, note(), number)
        os.write(ack, f"put {uid}\n".encode())
        if number % 3 == 0:
            assert take_in_here(settings, record, inbox, clock)
            os.write(ack, f"in {uid}\n".encode())


def serve(settings_path: str, ack_path: str) -> None:
    """A service that commits as fast as it can."""
    settings, clock = load_settings(Path(settings_path)), HandClock()
    ack = os.open(ack_path, os.O_WRONLY | os.O_APPEND)
    recording = opened(settings, clock)
    while True:
        reading(recording, clock)
        recording.commit()
        os.write(ack, b"commit -\n")


def begin(folder: Path) -> tuple[Path, Path]:
    """The record of a new site, and an empty list of what is announced."""
    settings = site(folder)
    ack = folder / "ack"
    ack.touch()
    return Path(settings.record.path), ack


def judge(folder: Path, record: Path, put: list[str]) -> None:
    """Whoever comes next takes in what still waits; then each request is there once."""
    inbox = Inbox(record)
    settings = load_settings(folder / "site.toml")
    while [path for path in inbox.folder.iterdir() if path.suffix == ".json"]:
        assert take_in_here(settings, record, inbox, HandClock())
    stored = log_of(record)
    assert len(stored) == len(set(stored))
    assert set(put) <= set(stored)
    assert {path.suffix for path in inbox.folder.iterdir()} <= {".tmp"}, "nothing was refused"


def process_of(work: Callable[[str, str], None], folder: Path, ack: Path) -> BaseProcess:
    return starter.Process(target=work, args=(str(folder / "site.toml"), str(ack)))


def test_no_kill_of_a_command_loses_or_doubles_an_entry(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    record, ack = begin(tmp_path)
    for _ in range(KILLS):
        kill_at_random(process_of(ask_again_and_again, tmp_path, ack), ack, rng, 0.25)
        if said(ack, "in"):
            assert set(said(ack, "in")) <= set(log_of(record))
    put = said(ack, "put")
    assert len(put) >= KILLS
    judge(tmp_path, record, put)
    # One request may have been put in without having been announced.
    assert len(log_of(record)) <= len(put) + KILLS
    print(f"{KILLS} kills, {len(put)} requests")


@contextmanager
def asking(inbox: Inbox, put: list[str]) -> Iterator[None]:
    """Meanwhile, request after request is put in."""
    over = threading.Event()

    def ask() -> None:
        while not over.wait(0.002):
            uid = new_uid()
            inbox.put(LOG_ENTRY, uid, note(), len(put))
            put.append(uid)

    thread = threading.Thread(target=ask)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def test_no_kill_of_the_service_loses_or_doubles_an_entry(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    rng = random.Random(SEED)
    record, ack = begin(tmp_path)
    inbox, put = Inbox(record), list[str]()
    for _ in range(KILLS):
        with asking(inbox, put):
            kill_at_random(process_of(serve, tmp_path, ack), ack, rng, 0.1)
        stored = log_of(record)
        waiting = {path.stem.partition("-")[2] for path in inbox.folder.iterdir() if path.suffix == ".json"}
        assert set(put) <= set(stored) | waiting
    judge(tmp_path, record, put)
    assert log_of(record) == put, "in the order in which they were asked"
    print(f"{KILLS} kills, {len(put)} requests")


# -- one step after the other --

STEPS = {"open", "os.rename", "os.remove", "os.mkdir", "os.listdir", "os.scandir", "fcntl.flock"}


def die_at(step: int) -> None:
    """Let this process be killed at its step of that number from now on: a file opened, renamed, removed or locked, a
    folder listed, or a statement to the database, each before it is done."""
    taken = 0

    def one_more(*_: object) -> None:
        nonlocal taken
        if taken == step:
            os.kill(os.getpid(), signal.SIGKILL)
        taken += 1

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        del arguments
        if event in STEPS:
            one_more()

    connect = sqlite3.connect

    def traced(*arguments: Any, **named: Any) -> sqlite3.Connection:
        connection = connect(*arguments, **named)
        connection.set_trace_callback(one_more)
        return connection

    sqlite3.connect = traced  # type: ignore[assignment]
    sys.addaudithook(hook)


def command_once(settings_path: str, step: int) -> None:
    settings = load_settings(Path(settings_path))
    record, inbox = Path(settings.record.path), Inbox(Path(settings.record.path))
    die_at(step)
    inbox.put(LOG_ENTRY, "of-the-command", note(), 5)
    take_in_here(settings, record, inbox, HandClock())


def commit_once(settings_path: str, step: int) -> None:
    settings, clock = load_settings(Path(settings_path)), HandClock()
    recording = opened(settings, clock)
    reading(recording, clock)
    recording.writer._connection.close()
    die_at(step)
    recording._must_reopen, recording._fault, recording._tried = True, "closed by the test", -1e9
    recording.commit()


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("work", [command_once, commit_once])
def test_a_kill_at_any_step_loses_and_doubles_nothing(tmp_path: Path, work: Callable[[str, int], None]) -> None:
    for step in range(10_000):
        folder = tmp_path / str(step)
        folder.mkdir()
        record, _ = begin(folder)
        RecordWriter.open(record).close()
        inbox = Inbox(record)
        inbox.put(LOG_ENTRY, "first", note(), 1)
        inbox.put(LOG_ENTRY, "second", note(corrects="first"), 2)
        process = starter.Process(target=work, args=(str(folder / "site.toml"), step))
        process.start()
        process.join()
        judge(folder, record, ["first", "second"])
        assert log_of(record) in (["first", "second"], ["first", "second", "of-the-command"])
        if process.exitcode == 0:
            break
        assert process.exitcode == -signal.SIGKILL
    print(f"{step} steps")
    assert step > 20

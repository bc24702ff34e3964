"""From a condition that has come true to its mail, taken by the mail server: the whole service, in real time.

Run: python tests/benchmarks/benchmark_alarm_mail.py [--banks 100] [--groups 2]

Simulated instruments at loopback, one for each bank, an embedded record, and a mail server at loopback that takes
everything. The voltage of a group of banks falls below its limit, five minutes later that of the next one; all of a
group come true with the same frame, which is the worst case for one thread that delivers. Each keeper has some of the
banks and gets a mail for each group, so that what is measured is the way and not how many mails one keeper gets an
hour. Frames are five minutes long and the voltage must be low in two of them, so that most of the time is waiting.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from subprocess import Popen

from service_run import service
from showing import add_helpers, machine, show, title

from loggerd.settings.texts import load_texts
from loggerd.store.record import RecordReader

add_helpers()

from smtp_servers import Manners, Taken, serving  # noqa: E402
from tcp_servers import ScriptedTcpServer, frame  # noqa: E402
from until import until  # noqa: E402

AIM_SECONDS = 60.0
POLL_SECONDS, COMMIT_SECONDS = 5, 10
KEEPERS, GROUP_SECONDS = 20, 300.0
_PATIENCE_SECONDS = 1_200.0
_CELLS, _WELL_VOLTS, _LOW_VOLTS = 24, 2.12, 1.60
CONDITION, FINDING = "low_voltage", "limits.low_voltage"


@dataclass
class Instruments:
    """All banks at one port, by device id: register 0 the current, 1 the voltage, in tenths and hundredths."""

    group_of: dict[int, int]
    begun: float = field(default_factory=time.monotonic)

    async def answer(self, request: bytes, writer: asyncio.StreamWriter) -> None:
        device_id, first, count = (
            request[6],
            int.from_bytes(request[8:10], "big"),
            int.from_bytes(request[10:12], "big"),
        )
        low = time.monotonic() - self.begun >= GROUP_SECONDS * self.group_of[device_id]
        volts = _CELLS * (_LOW_VOLTS if low else _WELL_VOLTS)
        words = [(-5) & 0xFFFF, round(100 * volts)][first : first + count]
        data = b"".join(word.to_bytes(2, "big") for word in words)
        writer.write(frame(request[:2], device_id, bytes((request[7], len(data))) + data))
        await writer.drain()


def settings_text(port: int, mail_port: int, banks: int) -> str:
    """A site of so many banks, each with an instrument of its own, and keepers who have some of them each."""
    head = (
        f'[site]\nname = "Benchmark"\ntimezone = "UTC"\n[record]\ncommit_seconds = {COMMIT_SECONDS}\n'
        f'[mail]\nserver = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\nfrom = "loggerd@site.example"\n'
    )
    keepers = [
        f'[[keeper]]\nname = "keeper {keeper}"\nmail = "keeper-{keeper}@home.example"\nbanks = {json.dumps(own)}\n'
        for keeper in range(KEEPERS)
        if (own := [f"bank {number}" for number in range(1, banks + 1) if number % KEEPERS == keeper])
    ]
    return "".join([head, *keepers, *(_bank(number, port) for number in range(1, banks + 1))])


def _bank(number: int, port: int) -> str:
    return (
        f'[[bank]]\nname = "bank {number}"\ntype = "flooded_antimony"\nstrings = 1\nblocks_per_string = 8\n'
        f"cells_per_block = {_CELLS // 8}\nrated_amp_hours = 200\nrated_hours = 20\n"
        f'[[device]]\nname = "meter {number}"\nbank = "bank {number}"\npoll_seconds = {POLL_SECONDS}\n'
        f'connection = {{ kind = "modbus_tcp", host = "127.0.0.1", port = {port}, device_id = {number} }}\n'
        '[[device.channel]]\nchannel = "amps"\ntable = "holding"\naddress = 0\ntype = "int16"\nscale = 0.1\n'
        'unit = "A"\naccuracy = { offset = 0.1, noise = 0.05 }\n'
        '[[device.channel]]\nchannel = "volts"\ntable = "holding"\naddress = 1\ntype = "int16"\nscale = 0.01\n'
        'unit = "V"\n'
    )


@dataclass
class Box:
    """Banks of which a mail about the condition has been taken, and when (wall seconds)."""

    words: str
    taken_at: dict[int, float] = field(default_factory=dict)

    def take(self, taken: Taken) -> str:
        for number in re.findall(rf"{self.words}: (?:bank )+(\d+)\b", " ".join(taken.text.lower().split())):
            self.taken_at.setdefault(int(number), time.time())
        return "250 taken"


async def measure(banks: int, groups: int) -> None:
    box = Box(load_texts("en").alarm[CONDITION].title.lower())
    instruments = Instruments({number: (number - 1) % groups for number in range(1, banks + 1)})
    with tempfile.TemporaryDirectory() as name, serving(Manners(data=box.take)) as manners:
        async with ScriptedTcpServer(instruments.answer) as server:
            text = settings_text(server.port, manners.port, banks)
            with service(Path(name), text) as process:
                give_up = time.monotonic() + _PATIENCE_SECONDS + groups * GROUP_SECONDS
                await until(
                    lambda: len(box.taken_at) == banks or time.monotonic() > give_up or bool(process.poll()), 0.5
                )
        report(box, banks, groups, Path(name) / "record.sqlite")


def _ended(process: Popen[bytes]) -> bool:
    return process.poll() is not None


def report(box: Box, banks: int, groups: int, record: Path) -> None:
    """Times from the end of the frame that made the condition true, and from the look that raised the alarm."""
    found, raised = _when(record, banks)
    from_true = sorted(at - found[number] for number, at in box.taken_at.items() if number in found)
    from_raised = sorted(at - raised[number] for number, at in box.taken_at.items() if number in raised)
    title(f"alarm to mail, {banks} conditions in {groups} bursts, polls {POLL_SECONDS} s, commits {COMMIT_SECONDS} s")
    missing = banks - len(from_true)
    if missing:
        print(f"  NOT MEASURED: {missing} of {banks} conditions gave no mail in time", flush=True)
    if from_true:
        show("condition true to mail taken, median", _share(from_true, 0.50), "s")
        show("condition true to mail taken, 99th percentile", _share(from_true, 0.99), "s", AIM_SECONDS)
        show("  the longest", from_true[-1], "s")
        show("alarm raised to mail taken, median", _share(from_raised, 0.50), "s")
        show("alarm raised to mail taken, 99th percentile", _share(from_raised, 0.99), "s")


def _when(record: Path, banks: int) -> tuple[dict[int, float], dict[int, float]]:
    """By bank: the end of the frame in which its condition came true, and when its alarm was raised (wall seconds)."""
    found: dict[int, float] = {}
    with closing(RecordReader.open(record)) as reader:
        for number in range(1, banks + 1):
            told = [one.finding for one in reader.newest_findings(f"bank {number}") if one.finding.name == FINDING]
            low = [one.at.at_ms / 1000 for one in told if one.verdict in ("low", "empty")]
            found.update([(number, low[0])] if low else [])
        raised: dict[int, float] = {}
        for stored in reader.alarm_changes():
            if stored.change.key.condition == CONDITION:
                raised.setdefault(int(stored.change.key.bank.split()[1]), stored.change.at.at_ms / 1000)
    return found, raised


def _share(ordered: list[float], share: float) -> float:
    """The value that a share of all does not exceed: nearest rank."""
    return ordered[max(-(-round(share * 1000) * len(ordered) // 1000) - 1, 0)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--banks", type=int, default=100, help="conditions that come true (default 100, most 247)")
    parser.add_argument("--groups", type=int, default=2, help="bursts in which they do (default 2)")
    chosen = parser.parse_args()
    print(machine(), flush=True)
    asyncio.run(measure(chosen.banks, chosen.groups))


if __name__ == "__main__":
    main()

"""loggerd run and loggerd demo as processes: they do the job, stop when told to, and leave a whole record."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from pathlib import Path

import pytest
from cli_files import SITE
from pymodbus.simulator import DataType, SimData, SimDevice
from tcp_servers import simulated
from until import until

from loggerd.cli.demo import FAULT_NAMES, SCENARIO_NAMES
from simulators.faults import BANK_FAULTS, SENSOR_FAULTS
from simulators.scenarios import SCENARIOS

DEVICE = """
[record]
commit_seconds = 1

[[device]]
name = "shunt"
bank = "house"
poll_seconds = 0.2

[device.connection]
kind = "modbus_tcp"
host = "127.0.0.1"
port = {port}

[[device.channel]]
channel = "volts"
table = "holding"
address = 0
type = "uint16"
scale = 0.01
unit = "V"

[[device.channel]]
channel = "amps"
table = "holding"
address = 1
type = "int16"
scale = 0.1
unit = "A"
"""


async def start(*words: str | Path) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "loggerd", *map(str, words)),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )


async def finish(process: asyncio.subprocess.Process) -> tuple[int, str, str]:
    """Exit code, standard output and standard error."""
    out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


async def told_lines(service: asyncio.subprocess.Process, told: Path, lines: int) -> None:
    """Wait until so many commits have been announced."""

    def enough() -> bool:
        return service.returncode is not None or (told.exists() and told.read_text().count("\n") >= lines)

    await until(enough)
    assert service.returncode is None


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_a_stopped_service_has_stored_what_it_announced(tmp_path: Path, number: signal.Signals) -> None:
    site, told = tmp_path / "site.toml", tmp_path / "told"
    async with simulated([SimDevice(1, [SimData(0, values=[4912, 65416], datatype=DataType.REGISTERS)])]) as port:
        site.write_text(SITE + DEVICE.format(port=port), encoding="utf-8")
        service = await start("run", site, "--acknowledge", told)
        await told_lines(service, told, 2)
        service.send_signal(number)
        code, out, err = await finish(service)

    assert (code, out, err) == (0, "", "")
    announced = [stamp for line in told.read_text().splitlines() for stamp in line.split()[-1].split(",")]
    code, exported, _ = await finish(await start("export", site))
    assert code == 0
    rows = exported.splitlines()[1:]
    assert len(rows) == len(announced) >= 5
    # The last column may say that this machine's clock is not set.
    assert {tuple(row.split(",")[1:4]) for row in rows} == {("-12.000", "49.120", "shunt")}


async def test_a_second_service_on_the_same_record_is_refused(tmp_path: Path) -> None:
    site, told = tmp_path / "site.toml", tmp_path / "told"
    async with simulated([SimDevice(1, [SimData(0, values=[4912, 0], datatype=DataType.REGISTERS)])]) as port:
        site.write_text(SITE + DEVICE.format(port=port), encoding="utf-8")
        service = await start("run", site, "--acknowledge", told)
        await told_lines(service, told, 1)
        refused = await finish(await start("run", site))
        not_now = await finish(await start("recompute", site))
        service.terminate()
        await finish(service)

    for verb, (code, out, err) in (("run", refused), ("recompute", not_now)):
        assert (code, out) == (1, "")
        assert err.startswith(f"loggerd {verb}: ")
        assert err.count("\n") == 1


async def test_the_demonstration_does_the_whole_job_and_stops_by_itself(tmp_path: Path) -> None:
    folder = tmp_path / "site"

    code, out, err = await finish(await start("demo", "--days", "2", "--seconds", "3", "--folder", folder))

    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == f'simulated site "cabin" in {folder}'
    assert any("Modbus TCP at 127.0.0.1:" in line for line in lines)
    assert any("Modbus RTU on /dev/" in line for line in lines)
    assert f"everything is in {folder}" in lines
    code, shown, _ = await finish(await start("cycles", folder / "site.toml", "--json"))
    assert code == 0
    assert len(json.loads(shown)["cycles"]) >= 1
    code, exported, _ = await finish(await start("export", folder / "site.toml"))
    shunt = [row for row in exported.splitlines() if ",shunt," in row]
    # Two days once a minute, then some seconds of live readings once a second of the site.
    assert len(shunt) > 2 * 1440 + 10


@pytest.mark.long
async def test_the_demonstration_shows_a_fault_that_is_asked_for(tmp_path: Path) -> None:
    words = ("demo", "--days", "18", "--fault", "shorted_cell", "--seconds", "1", "--folder", tmp_path)
    code, _, err = await finish(await start(*words))
    assert (code, err) == (0, "")
    code, _, err = await finish(await start("recompute", tmp_path / "site.toml"))
    assert code == 0, err

    code, shown, _ = await finish(await start("findings", tmp_path / "site.toml", "--json"))

    wrong = [(one["name"], one["verdict"]) for one in json.loads(shown)["findings"] if one["wrong"]]
    assert wrong[0] in (("blocks.short", "shorted_cell"), ("blocks.cause", "shorted_cell")), wrong


def test_the_demonstration_knows_the_scenarios_and_faults_that_there_are() -> None:
    assert set(SCENARIO_NAMES) == set(SCENARIOS)
    assert FAULT_NAMES == BANK_FAULTS + SENSOR_FAULTS


async def test_the_demonstration_stops_on_a_signal(tmp_path: Path) -> None:
    demonstration = await start("demo", "--days", "1", "--folder", tmp_path)
    assert demonstration.stdout is not None
    while b"Ctrl-C stops" not in await demonstration.stdout.readline():
        pass

    demonstration.terminate()

    code, _, err = await finish(demonstration)
    assert (code, err) == (0, "")

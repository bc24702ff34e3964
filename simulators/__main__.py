"""`python -m simulators cabin`: serve a simulated site until Ctrl-C and print the settings that read it."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time

from loggerd.clock import AcceleratedClock
from simulators.faults import BANK_FAULTS, SENSOR_FAULTS, seeded_fault
from simulators.scenarios import SCENARIOS
from simulators.settings_text import settings_text
from simulators.site import SimulatedSite


def main(arguments: list[str] | None = None) -> int:
    """Parse, serve, print. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m simulators", description=__doc__)
    parser.add_argument("scenario", choices=SCENARIOS)
    parser.add_argument("--speed", type=float, default=1.0, help="how many times as fast as the clock (default 1)")
    parser.add_argument("--modbus-port", type=int, default=0, help="of the Modbus TCP server (default: a free one)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--fault", action="append", default=[], choices=BANK_FAULTS + SENSOR_FAULTS, help="a fault from the start on"
    )
    chosen = parser.parse_args(arguments)
    try:
        asyncio.run(_serve(chosen))
    except KeyboardInterrupt:
        sys.stderr.write("stopped\n")
    except (OSError, RuntimeError) as error:
        sys.stderr.write(f"cannot serve: {error}\n")
        return 1
    return 0


async def _serve(chosen: argparse.Namespace) -> None:
    start_ms = time.time_ns() // 1_000_000
    scenario = SCENARIOS[chosen.scenario](chosen.modbus_port)
    faults = [seeded_fault(kind, scenario, chosen.seed, 0.0) for kind in chosen.fault]
    site = SimulatedSite(scenario, chosen.seed, faults, start_ms)
    await site.start(AcceleratedClock(start_ms, chosen.speed))
    try:
        for wire in scenario.wires:
            names = ", ".join(instrument.name for instrument in wire.instruments)
            sys.stderr.write(f"{names}: {wire.address}\n")
        sys.stdout.write(settings_text(scenario))
        sys.stdout.flush()
        await asyncio.Event().wait()
    finally:
        await site.stop()


if __name__ == "__main__":
    sys.exit(main())

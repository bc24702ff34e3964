"""loggerd probe: read every channel once and show what arrives, before the first day."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from loggerd.cli.arguments import add_settings, verb_parser

if TYPE_CHECKING:
    from loggerd.model.bank import Series
    from loggerd.model.scan import Scan
    from loggerd.settings.site import SiteSettings
    from loggerd.sources.base import Line

_PATIENCE_SECONDS = 30.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "probe",
        "read every channel once and show raw number, value, unit and marks",
        "The look at the wiring before the first day: switch a known load on and see the current go negative, the\n"
        "charger on and see it go positive; compare each voltage with a meter. Reads only. Exit code 1 if a device\n"
        "does not answer.",
        "loggerd probe site.toml --device shunt",
    )
    add_settings(parser)
    parser.add_argument("--device", metavar="NAME", help="only this device")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Probe and print. Returns the exit code."""
    import asyncio
    import logging

    from loggerd.cli.arguments import WordsError
    from loggerd.settings.load import load_settings

    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    settings = load_settings(arguments.settings)
    names = [device.name for device in settings.devices]
    if arguments.device is not None and arguments.device not in names:
        raise WordsError(f'no device "{arguments.device}"; this site has: {", ".join(names) or "none"}')
    found = asyncio.run(_probe(settings, arguments.device))
    if arguments.json:
        print(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        print("\n".join(_lines(found)))
    return 1 if any("error" in device for device in found) else 0


async def _probe(settings: SiteSettings, only: str | None) -> list[dict[str, Any]]:
    import asyncio

    from loggerd.clock import SystemClock
    from loggerd.wiring import build_lines

    lines = build_lines(settings, SystemClock(), only)
    results = await asyncio.gather(*(_probe_line(settings, line) for line in lines))
    return [device for result in results for device in result]


async def _probe_line(settings: SiteSettings, line: Line) -> list[dict[str, Any]]:
    """The devices of a line in turn, each with its values or its error."""
    import asyncio

    from loggerd.errors import InstrumentError
    from loggerd.settings.domain import series_of

    series = series_of(settings)
    found: list[dict[str, Any]] = []
    try:
        for device in line.devices:
            try:
                scan = await asyncio.wait_for(line.read_once(device), _PATIENCE_SECONDS)
                found.append({"device": device, "channels": _channels(scan, series[device])})
            except InstrumentError as error:
                found.append({"device": device, "error": error.what})
            except TimeoutError:
                found.append({"device": device, "error": f"no whole reading within {_PATIENCE_SECONDS:.0f} s"})
    finally:
        await line.close()
    return found


def _channels(scan: Scan, series: tuple[Series, ...]) -> list[dict[str, Any]]:
    import time

    import numpy as np

    from loggerd.analysis.intake import check_range
    from loggerd.decoding.scaling import scale_at, to_fine
    from loggerd.model.channels import MISSING

    now = np.array([time.time_ns() // 1_000_000], dtype=np.int64)
    rows = []
    for count, one in zip(scan.counts, series, strict=True):
        value = to_fine(np.array([count], dtype=np.int64), now, one.scales)
        checked = check_range(value, now, scale_at(one.scales, int(now[0])).valid)
        known = count != MISSING
        rows.append(
            {
                "channel": one.channel.name,
                "bank": one.bank,
                "place": one.place,
                "raw": round(count * one.resolution, 9) if known else None,
                "value": int(value[0]) / 1000 if known else None,
                "unit": one.channel.quantity.value,
                "marks": [word for mark, _ in checked.marked for word in mark.words()],
            }
        )
    return rows


def _lines(found: list[dict[str, Any]]) -> list[str]:
    from loggerd.cli.tables import aligned

    lines: list[str] = []
    for device in found:
        if "error" in device:
            lines += [f"{device['device']}: NO READING: {device['error']}", ""]
            continue
        rows = [["channel", "bank", "place", "raw", "value", "unit", "marks"]]
        for channel in device["channels"]:
            raw, value = channel["raw"], channel["value"]
            rows.append(
                [
                    channel["channel"],
                    channel["bank"],
                    channel["place"],
                    "no value" if raw is None else f"{raw:g}",
                    "-" if value is None else f"{value:.3f}",
                    channel["unit"],
                    "; ".join(channel["marks"]) or "-",
                ]
            )
        lines += [f"{device['device']}:", *aligned(rows), ""]
    return lines or ["this site has no device that can be read on a wire"]

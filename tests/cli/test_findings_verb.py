"""loggerd findings: words first, what is wrong in front with what to do, and JSON."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from cli_files import call

SITE = """
[site]
name = "Shed"
timezone = "Europe/Vienna"

[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
"""
BEGIN = datetime(2026, 5, 1, tzinfo=UTC)
DAYS = 6


def week(sign: float) -> str:
    """Invented days: a load that switches, a rest, a charge that tapers at 58.6 V; one reading a minute."""
    minute = np.arange(DAYS * 1440) % 1440
    amps = np.where((minute > 480) & (minute < 900), -12.0 - 10.0 * (minute % 12 < 6), 0.0)
    hours = np.clip(minute - 960, 0, None) / 60
    amps = np.where(minute >= 960, np.minimum(28.0, 28.0 * np.exp(-(hours - 4.5) / 1.1)) + 0.8, amps)
    moved = np.cumsum(amps) / 60 / 200
    volts = 24 * (1.97 + 0.14 * np.clip(1.0 + moved - moved.max(), 0.05, 1.0)) + amps * 0.022
    volts = np.where(minute >= 960, np.minimum(volts + 2.0, 58.6), volts)
    rng = np.random.default_rng(5)
    lines = ["time,amps,volts," + ",".join(f"block_{number}_volts" for number in range(1, 5))]
    noise = rng.normal(0, 0.004, (4, len(minute)))
    for row in range(len(minute)):
        at = (BEGIN + timedelta(minutes=row)).isoformat()
        blocks = ",".join(f"{volts[row] / 4 + noise[block, row]:.3f}" for block in range(4))
        lines.append(f"{at},{sign * amps[row]:.2f},{volts[row]:.3f},{blocks}")
    return "\n".join(lines) + "\n"


class Shed:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], sign: float) -> None:
        self.settings = folder / "site.toml"
        self.settings.write_text(SITE, encoding="utf-8")
        log = folder / "log.csv"
        log.write_text(week(sign), encoding="utf-8")
        self._capsys = capsys
        assert call("import", self.settings, log) == 0

    def out(self, *words: str) -> str:
        self._capsys.readouterr()
        assert call("findings", self.settings, *words) == 0, self._capsys.readouterr().err
        return self._capsys.readouterr().out


def test_a_reversed_current_is_told_first_with_the_setting_that_mends_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = Shed(tmp_path, capsys, -1.0)

    text = shed.out()

    head, _, rest = text.partition("Nothing to act on")
    assert "To look at" in head
    assert "current" in head.split("\n- ")[1]
    assert "sign" in head
    assert "do: " in head
    assert "The maker's manual, local codes" in rest
    assert "\n  why: " not in rest.partition("Cannot tell")[0]


def test_a_right_wiring_has_nothing_to_look_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = Shed(tmp_path, capsys, 1.0)

    text = shed.out()

    assert "To look at" not in text
    assert "Nothing to act on" in text
    assert all(len(line) <= 92 for line in text.splitlines())
    assert text.partition("Cannot tell")[2].count("why: ") > 2


def test_the_same_is_told_as_json_and_with_reasons(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = Shed(tmp_path, capsys, -1.0)

    document = json.loads(shed.out("--json"))

    sign = next(one for one in document["findings"] if one["name"] == "meter.current_sign")
    assert sign["verdict"] == "reversed"
    assert sign["wrong"] is True
    assert sign["evidence"]
    assert sign["reason"] in " ".join(shed.out("--why").split())


def test_what_was_found_in_a_span_of_time_is_listed_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = Shed(tmp_path, capsys, 1.0)

    whole = json.loads(shed.out("--from", "2026-05-01", "--json"))["findings"]
    part = json.loads(shed.out("--from", "2026-05-03", "--until", "2026-05-05", "--json"))["findings"]

    assert [one["at"] for one in whole] == sorted(one["at"] for one in whole)
    assert 0 < len(part) < len(whole)
    assert all("2026-05-02T22" <= one["at"] < "2026-05-04T22" for one in part)
    assert shed.out("--until", "2026-04-01") == "nothing was found in that time\n"


def test_a_bank_without_readings_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = Shed(tmp_path, capsys, 1.0)
    settings = SITE + SITE[SITE.index("[[bank]]") :].replace("house", "spare")
    shed.settings.write_text(settings, encoding="utf-8")

    assert "nothing found yet" in shed.out("--bank", "spare")

"""loggerd check."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path

import pytest

from loggerd.cli import check
from loggerd.settings.shipped import shipped_path

EXAMPLE = shipped_path("site.example.toml")
WRONG = """\
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "agm"
strings = 0
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_ours = 20
"""


def check_(*words: str) -> int:
    parser = argparse.ArgumentParser(prog="loggerd")
    check.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["check", *words])
    code = arguments.run(arguments)
    assert isinstance(code, int)
    return code


@pytest.fixture
def wrong(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(WRONG, encoding="utf-8")
    return path


def test_right_settings_are_summed_up(capsys: pytest.CaptureFixture[str]) -> None:
    assert check_(str(EXAMPLE)) == 0

    printed = capsys.readouterr().out
    assert 'Bank "house": 1 string of 8 blocks of 3 cells, 48 V, 225 Ah at 20 h, flooded antimony' in printed
    assert 'Device "shunt": Modbus TCP 192.168.7.20:502, device id 1, every 1 s' in printed
    assert "input register 0 (int32 CDAB) x 0.001 mV x 500 A / 50 mV, sign reversed" in printed
    assert "from 2026-05-01 02:00:00+02:00 on (the shunt was exchanged for one of 75 mV): input register 0" in printed
    assert "valid -600 to 600 A; accuracy: 0.3 % of reading, 0.05 A at zero, noise 0.02 A, step 0.01 A" in printed
    assert "(19200 baud, 8E1), device id 3, every 2 s" in printed
    assert f"Record {EXAMPLE.parent / 'record.sqlite'}, written every 10 s" in printed


@pytest.mark.parametrize(
    ("example", "words"),
    [
        (
            "forklift",
            ["lines of text on /dev/serial/by-id/usb-serial-adapter (9600 baud, 8N1)", 'field "A" (steps of 0.01)'],
        ),
        ("golf-carts", ["holding register 0 (float32) (steps of 0.001) in V", "x 400 A / 60 mV, sign reversed"]),
        (
            "inverter",
            ["SunSpec TCP 192.168.7.30:502, device id 126", "point A (steps of 0.1) in A, sign reversed", "old-"],
        ),
    ],
)
def test_every_kind_of_device_is_described(capsys: pytest.CaptureFixture[str], example: str, words: list[str]) -> None:
    assert check_(str(shipped_path(f"{example}.example.toml"))) == 0

    printed = capsys.readouterr().out
    assert [word for word in words if word not in printed] == []


def test_every_fault_is_printed(capsys: pytest.CaptureFixture[str], wrong: Path) -> None:
    assert check_(str(wrong)) == 2

    out, err = capsys.readouterr()
    assert out.splitlines() == [
        f'{wrong}, line 4, [[bank]] "house" key "rated_hours": found nothing; '
        "expected a number from 0.1 to 240: the hours of the rating (20 for a 20-hour rating)",
        f'{wrong}, line 7, [[bank]] "house" key "strings": found 0; '
        "expected a whole number from 1 to 32: strings in parallel",
        f'{wrong}, line 11, [[bank]] "house" key "rated_ours": found an unknown key; '
        'expected a known key; did you mean "rated_hours"?',
    ]
    assert err == "3 faults in the settings.\n"


def test_faults_and_summary_as_json(capsys: pytest.CaptureFixture[str], wrong: Path) -> None:
    assert check_(str(wrong), "--json") == 2
    refused = json.loads(capsys.readouterr().out)
    assert check_(str(EXAMPLE), "--json") == 0
    accepted = json.loads(capsys.readouterr().out)

    assert refused["ok"] is False
    assert [sorted(fault) for fault in refused["faults"]] == [["expected", "found", "where"]] * 3
    assert accepted["ok"] is True
    assert accepted["banks"][0]["nominal_volts"] == 48.0
    assert [device["name"] for device in accepted["devices"]] == ["shunt", "taps"]
    assert len(accepted["devices"][1]["channels"]) == 8


def test_the_schema_is_printed_without_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert check_("--schema") == 0

    assert "bank" in json.loads(capsys.readouterr().out)["properties"]


def test_without_settings_it_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert check_() == 2

    assert "name a settings file" in capsys.readouterr().err


def test_the_command_line_does_not_wait_for_heavy_modules() -> None:
    script = "import sys, loggerd.cli.check; print([n for n in ('pydantic', 'numpy', 'pymodbus') if n in sys.modules])"

    printed = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout

    assert printed == "[]\n"

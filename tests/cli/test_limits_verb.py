"""loggerd limits: every limit of every bank with its source, on a narrow terminal and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_files import SITE, call

from loggerd.settings.limits import limit_names

OWN = """
[[bank.limit]]
name = "safe_volts"
value = 50
source = "rule of the yard"
[[bank.limit]]
name = "safe_volts"
value = 42.5
source = "rule of the yard, new"
since = 2020-05-01T00:00:00Z
[[bank.limit]]
name = "safe_volts"
value = 30
source = "announced"
since = 2199-05-01T00:00:00Z
[[bank.limit]]
name = "rest_hours_settled"
value = 12
source = "data sheet of the blocks"
since = 2020-05-01T00:00:00Z
"""
SECOND = SITE[SITE.index("[[bank]]") :].replace('"house"', '"spare"').replace("flooded_antimony", "gel")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE + OWN + SECOND, encoding="utf-8")
    return path


def test_every_limit_of_every_bank_is_shown_with_its_source(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("limits", site) == 0

    shown = capsys.readouterr().out
    assert shown.startswith("The maker's manual and local codes go before")
    house, spare = shown.split('Bank "')[1:]
    assert house.startswith('house" (flooded antimony)\n')
    assert spare.startswith('spare" (gel)\n')
    for name in limit_names():
        assert f"\n{name}: " in house
        assert f"\n{name}: " in spare
    assert "absorption_volts_per_cell: 2.467 V per cell (preset)\n    data sheet of a 6 V flooded" in house
    assert "absorption_volts_per_cell: 2.4 V per cell (preset)\n    user's guide" in spare


def test_it_fits_a_terminal_of_80_columns(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("limits", site) == 0

    assert [line for line in capsys.readouterr().out.splitlines() if len(line) > 79] == []


def test_a_value_of_the_settings_is_shown_beside_those_before_and_later(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("limits", site, "--bank", "house") == 0

    shown = capsys.readouterr().out
    assert (
        "\nsafe_volts: 42.5 V (settings, since 2020-05-01 02:00+02:00)\n"
        "    rule of the yard, new\n"
        "    before: 50 V (settings): rule of the yard\n"
        "    later: 30 V (settings, since 2199-05-01 "
    ) in shown
    assert (
        "\nrest_hours_settled: 12 h (settings, since 2020-05-01 02:00+02:00)\n    data sheet of the blocks\n" in shown
    )
    assert "\n    before: 8 h (preset): sources disagree" in shown
    assert "spare" not in shown


def test_json_has_all_that_is_shown(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("limits", site, "--json") == 0

    document = json.loads(capsys.readouterr().out)
    assert document["note"].startswith("The maker's manual")
    assert [(bank["bank"], bank["type"]) for bank in document["banks"]] == [
        ("house", "flooded_antimony"),
        ("spare", "gel"),
    ]
    house = {one["name"]: one for one in document["banks"][0]["limits"]}
    assert tuple(house) == limit_names()
    volts = house["safe_volts"]
    assert (volts["value"], volts["unit"], volts["source"]) == (42.5, "V", "rule of the yard, new")
    assert [(one["value"], one["preset"], one["in_force"]) for one in volts["stages"]] == [
        (50, False, False),
        (42.5, False, True),
        (30, False, False),
    ]
    assert volts["stages"][1]["since"] == "2020-05-01T00:00:00+00:00"
    assert [one["preset"] for one in house["rest_hours_settled"]["stages"]] == [True, False]


def test_an_unknown_bank_is_named_with_those_there_are(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("limits", site, "--bank", "hose") == 2

    assert "house, spare" in capsys.readouterr().err

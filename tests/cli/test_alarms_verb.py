"""loggerd alarms: lists, acknowledges, shelves, says what is refused and why, shows the history."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest
from cli_files import call
from seeded_site import weak_cabin

NAME = "set_point_high:bank"


@dataclass(frozen=True)
class Told:
    code: int
    out: str
    err: str


class Shell:
    """The command line on one site, with what it prints."""

    def __init__(self, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._site, self._capsys = site, capsys

    def __call__(self, *words: str) -> Told:
        self._capsys.readouterr()
        code = call("alarms", self._site, *words)
        printed = self._capsys.readouterr()
        return Told(code, printed.out, printed.err)

    def standing(self) -> dict[str, str]:
        alarms = json.loads(self("--json").out)
        return {":".join(one["key"][1:]): one["state"] for one in alarms}


@pytest.fixture
def alarms(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    """On the seeded cabin, whose charger holds too high a voltage."""
    weak_cabin(tmp_path)
    return Shell(tmp_path / "site.toml", capsys)


def test_the_list_says_what_to_do_by_when_and_how_to_name_it(alarms: Shell) -> None:
    told = alarms()

    assert told.code == 0
    assert "charging voltage too high (house)" in told.out
    assert "to be acted on within" in told.out
    assert "do: Set the charger" in told.out
    assert f"name: {NAME}" in told.out


def test_one_is_acknowledged_once_and_the_history_knows_by_whom(alarms: Shell) -> None:
    done = alarms("acknowledge", NAME, "--who", "anna", "--why", "seen")

    assert (done.code, done.out) == (0, f"{NAME}: acknowledge taken in\n")
    assert alarms.standing()[NAME] == "acknowledged"
    assert "acknowledged by anna, now acknowledged (seen)" in " ".join(alarms("history").out.split())


def test_what_the_state_does_not_allow_is_refused_with_the_reason(alarms: Shell) -> None:
    before = alarms.standing()

    refused = alarms("unshelve", NAME, "--who", "anna")

    assert refused.code == 1
    assert "taken in" not in refused.out
    assert "cannot be unshelved" in refused.err
    assert alarms.standing() == before


def test_shelving_hides_it_and_wants_an_end(alarms: Shell) -> None:
    assert alarms("shelve", NAME).code == 2
    assert alarms("shelve", NAME, "--hours", "1000").code == 2
    assert alarms("shelve", NAME, "--hours", "8", "--why", "the fitter comes").code == 0

    told = alarms()
    assert "no alarm stands" in told.out
    assert "1 more shelved" in told.out
    assert NAME in alarms("--all").out


def test_an_unknown_name_is_answered_with_those_that_there_are(alarms: Shell) -> None:
    refused = alarms("acknowledge", "shorted_cell:block 99")

    assert refused.code == 2
    assert NAME in refused.err

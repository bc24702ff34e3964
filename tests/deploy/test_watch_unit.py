"""The unit of the watcher: safe, heard of by the supervisor, and calling a verb that there is."""

from __future__ import annotations

import configparser
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from loggerd.__main__ import build_parser

UNIT = Path(__file__).resolve().parents[2] / "deploy" / "loggerd-watch.service"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_the_unit_is_rated_safe() -> None:
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(UNIT)]
    rated = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert rated.returncode == 0, rated.stdout[-300:] + rated.stderr


def test_it_never_gives_up_and_may_ask_whether_the_clock_is_set() -> None:
    unit = configparser.RawConfigParser(strict=False, interpolation=None)
    unit.read(UNIT)
    service = unit["Service"]
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert (service["Type"], service["Restart"]) == ("notify", "always")
    assert int(service["WatchdogSec"]) > 0
    assert "adjtimex" in service["SystemCallFilter"]
    words = shlex.split(service["ExecStart"])
    assert Path(words[0]).name == "loggerd"
    assert build_parser().parse_args(words[1:]).settings == Path("/etc/loggerd/watch.toml")

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from loggerd import __version__

CHECKOUT = Path(__file__).resolve().parents[2]
DEPLOY = CHECKOUT / "deploy"
INSTALL = DEPLOY / "install.sh"


def run(*command: str | Path, timeout: float = 60, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
        env={**os.environ, **environment},
    )


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
@pytest.mark.parametrize("unit", ["loggerd.service", "loggerd-pages.service"])
def test_the_units_are_rated_safe(unit: str) -> None:
    rated = run("systemd-analyze", "security", "--offline=true", "--threshold=20", DEPLOY / unit)

    assert rated.returncode == 0, rated.stdout[-300:] + rated.stderr


class Unit(configparser.RawConfigParser):
    def __init__(self, name: str = "loggerd.service") -> None:
        # The same key may come several times; the last value is enough for what is asked here.
        super().__init__(strict=False, interpolation=None)
        self.read(DEPLOY / name)

    def optionxform(self, optionstr: str) -> str:
        return optionstr


def test_the_unit_never_gives_up_and_says_when_it_is_ready() -> None:
    unit = Unit()

    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["Restart"] == "always"
    assert int(service["WatchdogSec"]) > 0
    assert service["ExecStart"] == "/opt/loggerd/current/bin/loggerd run /etc/loggerd/site.toml"
    assert service["StateDirectory"] == "loggerd"
    assert (service["RuntimeDirectory"], service["RuntimeDirectoryMode"]) == ("loggerd", "0750")
    assert service["SupplementaryGroups"] == "dialout"
    assert service["DevicePolicy"] == "closed"
    assert service["MemoryMax"] == "250M"


def test_the_unit_lets_the_service_ask_whether_the_clock_is_set_and_use_serial_ports() -> None:
    text = (DEPLOY / "loggerd.service").read_text()
    lines = text.splitlines()

    for port in ("ttyUSB", "ttyACM", "ttyS", "ttyAMA"):
        assert f"DeviceAllow=char-{port} rw" in lines
    for forbidden in ("ProtectClock=yes", "PrivateDevices=yes", "ProcSubset=pid"):
        assert forbidden not in lines
    filters = [line for line in lines if line.startswith("SystemCallFilter=")]
    assert "adjtimex" in filters[-1]


def test_the_pages_see_no_instrument_and_write_where_the_record_is() -> None:
    service, pages = Unit()["Service"], Unit("loggerd-pages.service")["Service"]

    assert pages["ExecStart"] == "/opt/loggerd/current/bin/loggerd pages /etc/loggerd/site.toml"
    assert pages["PrivateDevices"] == "yes"
    assert "DeviceAllow" not in pages
    for same in ("User", "Group", "StateDirectory", "UMask"):
        assert pages[same] == service[same]


@pytest.mark.parametrize("shell", ["sh", "dash", "bash"])
def test_the_script_is_right_for_every_shell(shell: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")

    checked = run(shell, "-n", INSTALL)

    assert (checked.returncode, checked.stderr) == (0, "")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--nonsense"], "unknown option: --nonsense"),
        (["--wheel"], "--wheel needs a file"),
        (["--root"], "--root needs a folder"),
        (["--wheel", "/nowhere/loggerd-1.0-py3-none-any.whl"], "no such wheel"),
        (["--offline"], "--offline needs --wheel"),
    ],
)
def test_the_script_refuses_what_it_does_not_understand(arguments: list[str], message: str, tmp_path: Path) -> None:
    refused = (
        run(INSTALL, "--root", tmp_path / "root", *arguments) if arguments != ["--root"] else run(INSTALL, "--root")
    )

    assert refused.returncode == 1
    assert message in refused.stderr
    assert not (tmp_path / "root").exists()


def test_the_script_refuses_a_wheel_of_something_else(tmp_path: Path) -> None:
    wheel = tmp_path / "numpy-2.0.0-py3-none-any.whl"
    wheel.touch()

    refused = run(INSTALL, "--root", tmp_path / "root", "--wheel", wheel)

    assert "not a wheel of loggerd" in refused.stderr


def fake_version(root: Path, version: str, check_code: int = 0) -> Path:
    """A finished version whose loggerd says yes or no to the settings."""
    target = root / "opt" / "loggerd" / version
    (target / "bin").mkdir(parents=True)
    program = target / "bin" / "loggerd"
    program.write_text(f"#!/bin/sh\necho checked by {version}\nexit {check_code}\n")
    program.chmod(0o755)
    (target / ".complete").touch()
    return target


def install_fake(root: Path, version: str) -> subprocess.CompletedProcess[str]:
    wheel = root / f"loggerd-{version}-py3-none-any.whl"
    wheel.touch()
    return run(INSTALL, "--root", root, "--wheel", wheel)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "etc" / "loggerd").mkdir(parents=True)
    (tmp_path / "etc" / "loggerd" / "site.toml").write_text("# the keeper's own\n")
    return tmp_path


def test_an_update_switches_over_keeps_the_version_before_and_drops_older_ones(root: Path) -> None:
    base = root / "opt" / "loggerd"
    for version in ("1.0", "1.1", "1.2"):
        fake_version(root, version)
        # Done twice: the second time changes nothing.
        for _ in range(2):
            done = install_fake(root, version)
            assert done.returncode == 0, done.stderr
            assert (base / "current").readlink() == Path(version)

    assert (base / "previous").readlink() == Path("1.1")
    assert sorted(entry.name for entry in base.iterdir()) == ["1.1", "1.2", "current", "previous"]
    assert (root / "etc" / "loggerd" / "site.toml").read_text() == "# the keeper's own\n"


def test_a_version_that_does_not_accept_the_settings_is_not_switched_to(root: Path) -> None:
    fake_version(root, "1.0")
    install_fake(root, "1.0")
    fake_version(root, "2.0", check_code=2)

    refused = install_fake(root, "2.0")

    assert refused.returncode == 1
    assert "Nothing was switched over" in refused.stderr
    assert (root / "opt" / "loggerd" / "current").readlink() == Path("1.0")


@pytest.mark.long
@pytest.mark.timeout(900)
def test_an_installation_from_the_checkout_works(tmp_path: Path) -> None:
    """Takes the dependencies from the package index, as on a board."""
    python = shutil.which("python3", path="/usr/bin") or "python3"

    done = run(INSTALL, "--root", tmp_path, timeout=800, PYTHON=python)

    assert done.returncode == 0, done.stdout + done.stderr
    current = tmp_path / "opt" / "loggerd" / "current"
    assert current.readlink() == Path(__version__)
    version = run(current / "bin" / "loggerd", "--version")
    assert version.returncode == 0, version.stderr
    assert __version__ in version.stdout
    settings = (tmp_path / "etc" / "loggerd" / "site.toml").read_text()
    assert f'path = "{tmp_path}/var/lib/loggerd/record.sqlite"' in settings
    assert run(current / "bin" / "loggerd", "check", tmp_path / "etc" / "loggerd" / "site.toml").returncode == 0

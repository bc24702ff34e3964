"""The wheel: it carries all that an installed copy needs, and works in an empty folder without the checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

from loggerd import __version__

ROOT = Path(__file__).parent.parent

pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from the checkout as a release is; the build tool comes from the package index."""
    folder = tmp_path_factory.mktemp("wheel")
    words = ["--quiet", "--no-deps", "--no-cache-dir", "--wheel-dir", str(folder), str(ROOT)]
    subprocess.run([sys.executable, "-m", "pip", "wheel", *words], check=True, timeout=600)
    (path,) = folder.glob("loggerd-*.whl")
    return path


class Installed:
    """A virtual environment with the wheel; `run` calls its loggerd in an empty folder."""

    def __init__(self, folder: Path, wheel: Path) -> None:
        self.bin = folder / "venv" / "bin"
        self.empty = folder / "empty"
        self.empty.mkdir()
        venv.create(folder / "venv", with_pip=True)
        for words in (
            ["--require-hashes", "--requirement", str(ROOT / "requirements.lock")],
            ["--no-deps", "--no-index", str(wheel)],
        ):
            pip = [str(self.bin / "python"), "-m", "pip", "install", "--quiet"]
            subprocess.run([*pip, *words], check=True, timeout=600)

    def run(self, *words: str | Path) -> str:
        """What it prints; it must end well and say nothing on standard error."""
        kept = {name: os.environ[name] for name in ("LANG", "TZ") if name in os.environ}
        done = subprocess.run(
            words,
            cwd=self.empty,
            env={**kept, "PATH": f"{self.bin}:/usr/bin:/bin", "HOME": str(self.empty), "PYTHONWARNINGS": "error"},
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), done.stdout
        return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, wheel: Path) -> Installed:
    return Installed(tmp_path_factory.mktemp("installed"), wheel)


def test_the_wheel_carries_presets_maps_examples_and_simulators(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())

    config = {path.relative_to(ROOT / "config") for path in (ROOT / "config").rglob("*.toml")}
    assert config
    assert {f"loggerd/shipped_config/{path}" for path in config} <= names
    sources = {str(path.relative_to(ROOT)) for top in ("loggerd", "simulators") for path in (ROOT / top).rglob("*.py")}
    assert sources == {name for name in names if name.endswith(".py")}
    assert f"loggerd-{__version__}.dist-info/licenses/LICENSE" in names


def test_an_installed_copy_has_nothing_of_the_checkout(installed: Installed) -> None:
    code = "import loggerd, simulators; print(loggerd.__file__, simulators.__file__)"

    places = installed.run(installed.bin / "python", "-c", code).split()

    assert all(Path(place).is_relative_to(installed.bin.parent) for place in places)
    assert installed.run("loggerd", "--version") == f"loggerd {__version__}\n"


def test_an_installed_copy_checks_the_shipped_examples(installed: Installed) -> None:
    code = "from loggerd.settings.shipped import shipped_path; print(shipped_path('site.example.toml').parent)"
    folder = Path(installed.run(installed.bin / "python", "-c", code).strip())
    examples = sorted(folder.glob("*.example.toml"))
    assert len(examples) == 4

    for example in examples:
        assert "Bank" in installed.run("loggerd", "check", example)


def test_an_installed_copy_demonstrates_the_whole_job(installed: Installed) -> None:
    said = installed.run("loggerd", "demo", "--days", "2", "--seconds", "5", "--folder", "site")

    assert "everything is in site" in said
    ledger = json.loads(installed.run("loggerd", "cycles", "site/site.toml", "--json"))
    assert ledger["cycles"]

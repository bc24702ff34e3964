"""README, DEVELOPERS and the rest of the top level say nothing that is not there."""

from __future__ import annotations

import argparse
import importlib
import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import pytest

from loggerd import __version__
from loggerd.__main__ import build_parser
from loggerd.settings.site import SiteSettings

ROOT = Path(__file__).parent.parent
DOCUMENTS = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/README.md")]
IDS = [str(path.relative_to(ROOT)) for path in DOCUMENTS]

# Names of files that are made on the keeper's machine, or that a reader puts a name of their own into.
MADE = re.compile(r"/|record\.sqlite|-wal|-shm|site\.toml|readings\.csv|\.venv|dist/|devices/\.\.\.|.* ")
LOOKS_LIKE_A_PATH = re.compile(r"[\w.-]+(/[\w.-]+)+/?|[\w-]+\.(md|toml|py|sh|lock|service|rules)")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "pyproject.toml",
    "requirements.lock",
    "requirements-test.lock",
    "loggerd",
    "config",
    "tests",
    "simulators",
    "deploy",
}


def spans(path: Path) -> list[str]:
    """What stands in backticks."""
    return re.findall(r"`([^`\n]+)`", path.read_text(encoding="utf-8"))


def commands(path: Path) -> list[str]:
    """Every call of loggerd, in backticks or in an indented block."""
    lines = re.findall(r"(?m)^ {4,}(.*)$", path.read_text(encoding="utf-8"))
    found = []
    for text in [*spans(path), *lines]:
        at = re.search(r"(?:^|/)loggerd ((?:[a-z]+|--version)(?: .*)?)$", text.split(" # ")[0].strip())
        if at is not None:
            found.append(at[1])
    return found


def parsers() -> dict[str, argparse.ArgumentParser]:
    (verbs,) = (one for one in build_parser()._actions if isinstance(one, argparse._SubParsersAction))
    return dict(verbs.choices)


@pytest.mark.parametrize("path", DOCUMENTS, ids=IDS)
def test_every_path_that_is_named_exists(path: Path) -> None:
    named = [one for one in spans(path) if LOOKS_LIKE_A_PATH.fullmatch(one) and not MADE.match(one)]

    assert [one for one in named if not (ROOT / one).exists()] == []
    assert named or path.name == "CHANGELOG.md" or path.parent.name == "deploy"


@pytest.mark.parametrize("path", DOCUMENTS, ids=IDS)
def test_every_command_that_is_named_has_that_verb_and_those_options(path: Path) -> None:
    wrong = []
    for command in commands(path):
        words = shlex.split(re.split(r" [|>] ", command)[0])
        parser = parsers().get(words[0])
        if parser is None:
            wrong.append(command)
            continue
        known = set(parser._option_string_actions)
        wrong += [f"{command}: {word}" for word in words[1:] if word.startswith("--") and word not in known]

    assert wrong == []


def test_the_readme_names_every_verb_and_the_options_it_explains() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    known = {option for parser in parsers().values() for option in parser._option_string_actions}

    assert [verb for verb in parsers() if f"| `loggerd {verb}` |" not in text] == []
    options = {word for span in spans(ROOT / "README.md") for word in span.split() if re.fullmatch(r"--[a-z-]+", word)}
    assert options - known == set()


def test_names_of_functions_in_the_guide_are_those_of_the_code() -> None:
    files = [ROOT / "pyproject.toml", *(ROOT / "loggerd").rglob("*.py")]
    code = "\n".join(path.read_text(encoding="utf-8") for path in files)
    named = [
        one
        for one in spans(ROOT / "DEVELOPERS.md")
        if re.fullmatch(r"[A-Z][a-z]\w*\.\w+|[a-z]+_[a-z_]+|[A-Z_]{5,}", one)
    ]

    assert len(named) > 20
    words = {word for name in named for word in name.split(".")}
    assert [word for word in sorted(words) if not re.search(rf"\b{word}\b", code)] == []


def test_the_settings_in_the_readme_are_right() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"(?ms)^    \[site\]\n.*?^(?=\S)", text)
    assert block is not None
    correction = re.search(r"(?ms)^    \[\[device\.channel\.correction\]\].*?^(?=\S)", text)
    assert correction is not None

    settings = SiteSettings.model_validate(tomllib.loads(_unindented(block[0]) + _unindented(correction[0])))

    (device,) = settings.devices
    assert [channel.channel for channel in device.channels] == ["volts", "amps"]
    (dated,) = device.channels[1].corrections
    assert dated.because == "the shunt is a 75 mV type"


def _unindented(block: str) -> str:
    return re.sub(r"(?m)^    ", "", block)


def test_changelog_package_and_project_have_one_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    headings = re.findall(r"(?m)^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"))

    assert project["version"] == __version__ == headings[0]


def test_the_top_level_holds_what_it_may_hold() -> None:
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode != 0:
        pytest.skip("not a checkout")

    tops = {line.partition("/")[0] for line in tracked.stdout.splitlines()}
    assert {top for top in tops if not top.startswith(".")} - TOP_LEVEL == set()


def test_the_lock_files_hold_every_dependency_with_check_sums() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    for name, wanted in (
        ("requirements.lock", project["dependencies"] + extras["time-series"]),
        ("requirements-test.lock", project["dependencies"] + extras["time-series"] + extras["test"]),
    ):
        text = (ROOT / name).read_text(encoding="utf-8")
        locked = re.findall(r"(?m)^([a-z0-9-]+)==\S+(?: ; [^\\]+)? \\\n    --hash=sha256:", text)
        assert len(locked) == len(re.findall(r"(?m)^[a-z]", text))
        assert {re.split(r"[<>=]", one)[0] for one in wanted} - set(locked) == set()


@pytest.mark.parametrize("module", ["loggerd", "simulators"])
def test_packages_have_a_word_about_themselves(module: str) -> None:
    assert importlib.import_module(module).__doc__

"""What holds for every verb: help with an example, exit codes, errors in one line on standard error."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from cli_files import SITE, call, csv_text

from loggerd import __version__
from loggerd.__main__ import parse
from loggerd.cli import VERBS

NAMES = sorted(verb.__name__.rpartition(".")[2].removesuffix("_readings") for verb in VERBS)
WITH_RECORD = [["cycles"], ["export"], ["recompute"]]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path


@pytest.mark.parametrize("verb", NAMES)
def test_help_of_every_verb_has_an_example_that_its_own_parser_takes(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(verb, "--help") == 0

    shown = capsys.readouterr().out
    example = shown.rpartition("example: ")[2].split(" > ")[0].replace('"', "")
    words = example.split()
    assert words[:2] == ["loggerd", verb]
    if "--because" in words:
        words = words[: words.index("--because") + 2]
    assert parse(words[1:]).verb == verb


def test_help_names_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--help") == 0

    shown = capsys.readouterr().out
    assert [verb for verb in NAMES if f"\n    {verb}" not in shown] == []


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--version") == 0

    assert capsys.readouterr().out == f"loggerd {__version__}\n"


@pytest.mark.parametrize("words", [[], ["polish"], ["check", "--polish"], ["demo", "--days", "-1"]])
def test_unknown_words_are_refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert call(*words) == 2

    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("usage: loggerd")


@pytest.mark.parametrize(
    "words",
    [
        *([verb, "{}"] for verb in ("probe", "run", "cycles", "recompute", "export")),
        ["import", "{}", "x.csv"],
        ["replay", "--settings", "{}", "x.csv"],
    ],
)
def test_settings_that_cannot_be_used_are_code_2_and_a_message(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE.replace("strings = 1", "strings = 0"), encoding="utf-8")

    assert call(*(word.format(site) for word in words)) == 2

    out, err = capsys.readouterr()
    assert out == ""
    assert err == (
        f'loggerd {words[0]}: {site}, line 8, [[bank]] "house" key "strings": found 0; '
        "expected a whole number from 1 to 32: strings in parallel\n"
    )


@pytest.mark.parametrize("verb", WITH_RECORD)
def test_without_a_record_the_message_says_so_and_none_is_begun(
    verb: list[str], site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(*verb, site) == 1

    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"loggerd {verb[0]}: {site.parent / 'record.sqlite'}: there is no record here")
    assert err.count("\n") == 1
    assert [path.name for path in site.parent.iterdir()] == ["site.toml"]


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["cycles", "{site}", "--bank", "barn"], 2, 'no bank "barn"; this site has: house (say which with --bank)'),
        (["cycles", "{site}", "--from", "noon"], 2, '"noon" is no time; expected one such as 2026-05-01'),
        (["export", "{site}", "--until", "2026-13-01"], 2, '"2026-13-01" is no time'),
        (["probe", "{site}", "--device", "shunt"], 2, 'no device "shunt"; this site has: none'),
        (["replay", "--settings", "{site}", "nowhere.csv"], 1, "nowhere.csv cannot be read: No such file"),
        (["import", "{site}", "nowhere.csv"], 1, "nowhere.csv: no such file"),
        (["import", "{site}", "--device", "x", "{site}"], 1, 'no device "x" of kind "csv"'),
        (["import", "{site}"], 1, "which file? Name it, or a device"),
        (["run", "{site}", "--acknowledge", "{site}/no/where"], 1, "no/where cannot be written: Not a directory"),
        (["demo", "--folder", "{site}"], 1, "site.toml cannot be used as a folder: File exists"),
    ],
)
def test_what_cannot_be_done_is_one_line_on_standard_error(
    words: list[str], code: int, message: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(*(word.format(site=site) for word in words)) == code

    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"loggerd {words[0]}: ")
    assert message in err
    assert err.count("\n") == 1


def test_two_banks_must_be_told_apart(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = SITE[SITE.index("[[bank]]") :].replace('"house"', '"boat"')
    site.write_text(SITE + table, encoding="utf-8")

    assert call("cycles", site) == 2

    assert "no bank named; this site has: house, boat (say which with --bank)" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_error(site: Path) -> None:
    readings = site.parent / "log.csv"
    readings.write_text(csv_text(), encoding="utf-8")
    assert call("import", site, readings) == 0
    command = [sys.executable, "-m", "loggerd", "export", str(site)]

    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith("time,")
        process.stdout.close()
        said = process.stderr.read()

    assert (process.returncode, said) == (0, "")

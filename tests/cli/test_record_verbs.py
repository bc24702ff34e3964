"""import, cycles, export, recompute: old logs go in once, come out again, and are told anew after a wrong scale."""

from __future__ import annotations

import csv
import io
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from cli_files import BEGIN, COURSE, SITE, call, csv_text

OLD_LOG = """
[[device]]
name = "old logger"
bank = "house"

[device.connection]
kind = "csv"
path = "old-log.csv"
time_field = "when"

[[device.channel]]
channel = "volts"
field = "U"
resolution = 0.01
unit = "V"

[[device.channel]]
channel = "amps"
field = "shunt mV"
resolution = 0.01
unit = "mV"
shunt = { rated_amps = 100, rated_millivolts = 50 }
"""
CORRECTION = """
[[device.channel.correction]]
since = {since}
shunt = {{ rated_amps = 100, rated_millivolts = 100 }}
because = "the shunt is a 100 mV type"
"""


class Site:
    def __init__(self, path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = path
        self.settings = path / "site.toml"
        self.settings.write_text(SITE, encoding="utf-8")
        self._capsys = capsys

    def file(self, text: str, name: str = "log.csv") -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def out(self, *words: str | Path, code: int = 0) -> str:
        """What a verb prints."""
        self._capsys.readouterr()
        assert call(*words) == code, self._capsys.readouterr().err
        return self._capsys.readouterr().out

    def ledger(self, *words: str) -> dict[str, Any]:
        document = json.loads(self.out("cycles", self.settings, "--json", *words))
        assert isinstance(document, dict)
        return document

    def everything(self) -> dict[str, Any]:
        """Ledger and findings, as replay gives them."""
        findings = json.loads(self.out("findings", self.settings, "--json"))
        return {**self.ledger(), "findings": findings["findings"]}

    def replay(self, path: Path) -> dict[str, Any]:
        document = json.loads(self.out("replay", "--settings", self.settings, path, "--json", "-"))
        assert isinstance(document, dict)
        return document


@pytest.fixture
def site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Site:
    return Site(tmp_path, capsys)


def test_record_export_and_file_give_the_same_ledger(site: Site) -> None:
    file = site.file(csv_text((*COURSE, *COURSE[1:])))

    assert site.out("import", site.settings, file) == "3780 scans read in as session 1\n"
    exported = site.file(site.out("export", site.settings), "exported.csv")

    assert len(site.ledger()["cycles"]) == 2
    assert site.everything() == site.replay(file)
    assert site.everything() == site.replay(exported)


def test_the_table_shows_every_cycle(site: Site) -> None:
    site.out("import", site.settings, site.file(csv_text((*COURSE, *COURSE[1:]))))

    lines = site.out("cycles", site.settings).splitlines()

    assert lines[0].startswith("bank house, 1 revision(s)")
    assert [line.split()[:2] for line in lines[2:]] == [["2026-05-01", "08:29+02:00"], ["2026-05-01", "13:29+02:00"]]
    assert [line.endswith("open") for line in lines[2:]] == [False, True]


def test_only_the_asked_span_is_shown(site: Site) -> None:
    site.out("import", site.settings, site.file(csv_text((*COURSE, *COURSE[1:]))))

    later = site.ledger("--from", "2026-05-01T13:00")
    former = site.ledger("--until", "2026-05-01T13:00")

    assert [cycle["start"] for cycle in later["cycles"]] == ["2026-05-01T11:29:50.000Z"]
    assert [cycle["start"] for cycle in former["cycles"]] == ["2026-05-01T06:29:50.000Z"]


@pytest.mark.parametrize("ledger", ["phases", "cycles", "depth_bands"])
def test_csv_holds_what_json_holds(site: Site, ledger: str) -> None:
    site.out("import", site.settings, site.file(csv_text((*COURSE, *COURSE[1:]))))

    rows = list(csv.DictReader(io.StringIO(site.out("cycles", site.settings, "--csv", ledger))))

    entries = site.ledger()[ledger]
    assert len(rows) == len(entries) > 0
    for row, entry in zip(rows, entries, strict=True):
        for name, value in entry.items():
            if isinstance(value, list):
                assert [float(row[f"{name}_low"]), float(row[f"{name}_high"])] == value
            elif isinstance(value, float):
                assert float(row[name]) == value
            else:
                assert row[name] == ("" if value is None else str(value))


def test_export_writes_every_reading_and_only_the_asked_span(site: Site) -> None:
    site.out("import", site.settings, site.file(csv_text()))

    whole = list(csv.DictReader(io.StringIO(site.out("export", site.settings))))
    hour = list(
        csv.DictReader(
            io.StringIO(site.out("export", site.settings, "--from", "2026-05-01T08:00", "--until", "2026-05-01T09:00"))
        )
    )

    assert len(whole) == 1980
    assert whole[0]["time"] == "2026-05-01T06:00:00.000Z"
    assert (whole[300]["volts"], whole[300]["amps"], whole[300]["marks"]) == ("49.000", "-10.000", "")
    assert [row["time"] for row in (hour[0], hour[-1])] == ["2026-05-01T06:00:00.000Z", "2026-05-01T06:59:50.000Z"]
    assert len(hour) == 360


def test_export_of_raw_counts(site: Site) -> None:
    site.settings.write_text(SITE + OLD_LOG, encoding="utf-8")
    site.out("import", site.settings, "--device", "old logger", site.file(old_log()))

    raw = list(csv.DictReader(io.StringIO(site.out("export", site.settings, "--raw"))))
    read = list(csv.DictReader(io.StringIO(site.out("export", site.settings))))

    assert (raw[300]["volts"], raw[300]["amps"]) == ("4900", "-500")
    assert (read[300]["volts"], read[300]["amps"]) == ("49.000", "-10.000")


def test_readings_that_are_there_already_are_not_read_in_twice(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    file = site.file(csv_text())
    site.out("import", site.settings, file)
    before = site.ledger()

    assert call("import", site.settings, file) == 1

    assert "are already in the record; cut the file so that the times do not overlap" in capsys.readouterr().err
    assert site.ledger() == before


def test_an_older_log_can_follow_a_newer_one(site: Site) -> None:
    newer = csv_text().replace("2026-05-01", "2026-05-02")
    site.out("import", site.settings, site.file(newer, "newer.csv"))
    site.out("import", site.settings, site.file(csv_text(), "older.csv"))

    assert [cycle["start"][:10] for cycle in site.ledger()["cycles"]] == ["2026-05-01", "2026-05-02"]
    revisions = site.out("cycles", site.settings, "--revisions").splitlines()
    assert len(revisions) == 3


def old_log() -> str:
    """The course with other names for the columns, and the current in millivolts of a 100 A, 50 mV shunt."""
    rows = [line.split(",") for line in csv_text().splitlines()[1:]]
    lines = [f"{at};{volts};{float(amps) / 2:.2f}" for at, volts, amps in rows]
    return "\n".join(["when;U;shunt mV", *lines]) + "\n"


def test_a_dated_correction_is_recomputed_and_both_revisions_stay_visible(site: Site) -> None:
    site.settings.write_text(SITE + OLD_LOG, encoding="utf-8")
    site.out("import", site.settings, "--device", "old logger", site.file(old_log()))
    before = site.ledger()
    assert before["phases"][1]["amp_hours"] == pytest.approx(20, rel=1e-9)

    # From the middle of the charge on a millivolt is half as many amps.
    since = BEGIN + timedelta(hours=4)
    text = SITE + OLD_LOG + CORRECTION.format(since=since.isoformat().replace("+00:00", "Z"))
    site.settings.write_text(text, encoding="utf-8")
    stale = site.ledger()
    assert [phase for phase in stale["phases"] if not phase["complete"]] == []
    said = site.out("recompute", site.settings, "--because", "100 mV shunt")

    assert said == 'bank "house": revision 2 is up to date\n'
    after = site.ledger()
    assert after["phases"][1]["amp_hours"] == pytest.approx(20, rel=1e-9)
    assert before["phases"][3]["amp_hours"] == pytest.approx(22, rel=1e-9)
    assert after["phases"][3]["amp_hours"] == pytest.approx(16.5, rel=0.001)
    first = site.ledger("--revision", "1")
    assert [phase["amp_hours"] for phase in first["phases"]] == [
        phase["amp_hours"] for phase in before["phases"] if phase["complete"]
    ]
    lines = site.out("cycles", site.settings, "--revisions").splitlines()
    assert "readings of" in lines[1]
    assert "100 mV shunt" in lines[2]


def test_settings_that_changed_without_recomputing_are_told(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    site.out("import", site.settings, site.file(csv_text()))
    site.settings.write_text(SITE.replace("rated_amp_hours = 100", "rated_amp_hours = 80"), encoding="utf-8")

    assert call("cycles", site.settings) == 0

    assert "`loggerd recompute` brings it up to date" in capsys.readouterr().err


def test_a_revision_that_is_not_there_is_told(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    site.out("import", site.settings, site.file(csv_text()))

    assert call("cycles", site.settings, "--revision", "7") == 1

    assert 'bank "house" has no revision 7; it has: 1' in capsys.readouterr().err

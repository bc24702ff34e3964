"""loggerd replay: the document that other tools build on, and the forms of files that are understood."""

from __future__ import annotations

import io
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cli_files import COURSE, SITE, call, csv_text, readings

from loggerd.analysis.figures import CYCLE_FIGURES, PHASE_FIGURES

MOMENT = re.compile(r"2026-05-01T\d\d:\d\d:\d\d(\.\d+)?Z")
RATIOS = ("charge_factor", "amp_hour_efficiency", "watt_hour_efficiency", "depth_of_discharge")


class Folder:
    """A folder with a site; `replay` gives the document that the verb writes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.site = path / "site.toml"
        self.site.write_text(SITE, encoding="utf-8")

    def replay(self, text: str) -> dict[str, Any]:
        file, out = self.path / "log.csv", self.path / "ledger.json"
        file.write_text(text, encoding="utf-8")
        assert call("replay", "--settings", self.site, "--bank", "house", file, "--json", out) == 0
        document = json.loads(out.read_text(encoding="utf-8"))
        assert isinstance(document, dict)
        return document


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_the_document_has_its_fixed_form(folder: Folder) -> None:
    document = folder.replay(csv_text())

    assert list(document) == ["bank", "phases", "cycles", "full_to_full", "depth_bands", "marks", "findings"]
    assert document["bank"] == "house"
    assert [phase["kind"] for phase in document["phases"]] == ["rest", "discharge", "rest", "charge", "rest"]
    for phase in document["phases"]:
        assert {"kind", "start", "end", "complete", *(spec.name for spec in PHASE_FIGURES)} <= set(phase)
    (cycle,) = document["cycles"]
    assert {"start", "end", "complete", *(spec.name for spec in CYCLE_FIGURES)} <= set(cycle)
    for entry in [*document["phases"], cycle]:
        assert MOMENT.fullmatch(entry["start"])
        assert MOMENT.fullmatch(entry["end"])
    assert document["full_to_full"] == []
    assert document["depth_bands"] == [{"from_depth": 0.2, "to_depth": 0.3, "cycles": 0.0, "open_cycles": 1.0}]
    for span in document["marks"]:
        assert list(span) == ["channel", "marks", "start", "end", "readings"]


def test_figures_are_those_counted_by_hand(folder: Folder) -> None:
    document = folder.replay(csv_text())

    rest, discharge, _, charge, _ = document["phases"]
    assert discharge["amp_hours"] == pytest.approx(20, rel=1e-9)
    assert discharge["watt_hours"] == pytest.approx(980, rel=1e-9)
    assert charge["amp_hours"] == pytest.approx(22, rel=1e-9)
    assert charge["watt_hours"] == pytest.approx(1232, rel=1e-9)
    assert rest["amp_hours"] == 0
    (cycle,) = document["cycles"]
    assert [cycle[name] for name in RATIOS] == pytest.approx([1.1, 20 / 22, 980 / 1232, 0.2], rel=1e-9)
    assert (cycle["minimum_volts"], cycle["maximum_volts"], cycle["end_of_charge_amps"]) == (49, 56, 11)


def test_every_band_holds_its_figure_and_every_unknown_has_a_reason(folder: Folder) -> None:
    document = folder.replay(csv_text())

    bands = 0
    for entry in [*document["phases"], *document["cycles"]]:
        for name, value in entry.items():
            if name.endswith("_band"):
                low, high = value
                assert low <= entry[name.removesuffix("_band")] <= high
                bands += 1
            elif value is None:
                assert entry[f"{name}_reason"]
                assert f"{name}_band" not in entry
            elif name.endswith("_reason"):
                assert entry[name.removesuffix("_reason")] is None
    assert bands == 5 * 2 + 9
    assert document["cycles"][0]["mean_celsius"] is None


def test_magnitudes_are_positive_and_what_the_end_of_the_file_leaves_open_says_so(folder: Folder) -> None:
    document = folder.replay(csv_text(COURSE[:2]))

    assert [(phase["kind"], phase["complete"]) for phase in document["phases"]] == [
        ("rest", True),
        ("discharge", False),
    ]
    (cycle,) = document["cycles"]
    assert cycle["complete"] is False
    assert cycle["discharge_amp_hours"] == pytest.approx(20, rel=0.001)
    assert cycle["charge_amp_hours"] == 0
    assert cycle["charge_factor"] is None
    assert cycle["charge_factor_reason"] == "no charge has answered this discharge yet"


def test_a_cycle_is_complete_when_the_next_discharge_is_deep_enough(folder: Folder) -> None:
    document = folder.replay(csv_text((*COURSE, *COURSE)))

    assert [cycle["complete"] for cycle in document["cycles"]] == [True, False]
    assert [phase["complete"] for phase in document["phases"]] == [True] * 8 + [False]


def variants() -> Iterator[tuple[str, str]]:
    rows = list(readings())
    for name, split, comma, moment in (
        ("semicolons and decimal comma", ";", True, lambda at: at.isoformat()),
        ("semicolons and decimal point", ";", False, lambda at: at.isoformat()),
        ("epoch seconds", ",", False, lambda at: f"{at.timestamp():.0f}"),
        ("epoch seconds with a fraction", ",", False, lambda at: f"{at.timestamp():.3f}"),
        ("time of the site without offset", ",", False, lambda at: f"2026-05-01 {at.hour + 2:02}:{at:%M:%S}"),
        ("another offset", ",", False, lambda at: f"2026-05-01T{at.hour - 5:02}:{at:%M:%S}-05:00"),
    ):
        lines = [split.join(("time", "volts", "amps"))]
        for at, volts, amps in rows:
            numbers = [f"{volts:.2f}", f"{amps:.2f}"]
            lines.append(split.join([moment(at), *(one.replace(".", ",") if comma else one for one in numbers)]))
        yield name, "\r\n".join(lines) + "\r\n"


@pytest.mark.parametrize(("name", "text"), list(variants()), ids=[name for name, _ in variants()])
def test_every_form_of_the_file_gives_the_same_ledger(name: str, text: str, folder: Folder) -> None:
    assert folder.replay(text) == folder.replay(csv_text()), name


def test_dash_is_standard_input_and_output(
    folder: Folder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    expected = folder.replay(csv_text())
    capsys.readouterr()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(csv_text().encode())))

    assert call("replay", "--settings", folder.site, "-", "--json", "-") == 0

    out, err = capsys.readouterr()
    assert json.loads(out) == expected
    assert err.startswith("standard input: 1980 of 1980 rows")


def test_without_json_a_table_is_shown(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder.path / "log.csv"
    file.write_text(csv_text(), encoding="utf-8")

    assert call("replay", "--settings", folder.site, file) == 0

    heading, row = capsys.readouterr().out.splitlines()
    assert heading.startswith("start ")
    assert row.startswith("2026-05-01 08:29+02:00  ")
    assert row.endswith("open")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "expected a header"),
        ("time,volts,amps\n", "line 2: found no readings; expected at least one line after the header"),
        ("time,pressure\n1,2\n", "expected at least one channel, such as volts, amps or block_1_volts"),
        ("volts,amps\n1,2\n", "line 1: found 'volts,amps'; expected a header with a column \"time\""),
    ],
)
def test_a_file_that_is_none_is_one_line(
    text: str, message: str, folder: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder.path / "log.csv"
    file.write_text(text, encoding="utf-8")

    assert call("replay", "--settings", folder.site, file) == 1

    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"loggerd replay: {file}")
    assert message in err
    assert err.count("\n") == 1


def test_rows_that_cannot_be_read_are_told_and_the_rest_is_used(
    folder: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = csv_text().splitlines()
    lines[100] = "yesterday,50.8,0.00"
    lines[200] = lines[200].replace("-10.00", "lots")

    document = folder.replay("\n".join(lines))

    err = capsys.readouterr().err
    assert "line 101" in err
    assert document["phases"][1]["amp_hours"] == pytest.approx(20, rel=1e-9)


def test_a_file_of_output_that_cannot_be_written_is_told(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder.path / "log.csv"
    file.write_text(csv_text(), encoding="utf-8")

    assert call("replay", "--settings", folder.site, file, "--json", folder.path / "no" / "where.json") == 1

    assert f"{folder.path / 'no' / 'where.json'} cannot be written: No such file" in capsys.readouterr().err

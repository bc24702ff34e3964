from __future__ import annotations

import io
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loggerd.errors import ReadingsFileError
from loggerd.model.channels import MISSING
from loggerd.sources.files import ReadingsFile

VIENNA = ZoneInfo("Europe/Vienna")


def write(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def rows(readings: ReadingsFile) -> list[list[int]]:
    return [
        [int(block.mono_ms[row]), *(int(column[row]) for column in block.counts)]
        for block in readings.blocks()
        for row in range(len(block))
    ]


def test_a_file_gives_series_blocks_and_a_report(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "time,amps,note,block_2_volts,ambient_celsius\n"
        "2026-05-01T12:00:00Z,-5.25,x,6.4,21.5\n"
        "2026-05-01T12:00:01Z,-5.2504,,,\n"
        "2026-05-01T12:00:01Z,1,,1,1\n"
        "2026-05-01T12:00:00Z,1,,1,1\n"
        "broken\n"
        "2026-05-01T12:00:02Z,-5,,6.3,?\n",
    )
    readings = ReadingsFile(path, None)

    series = readings.series("house")
    blocks = list(readings.blocks())
    report = readings.report

    assert [(one.channel.name, one.place, one.unit, one.device, one.bank) for one in series] == [
        ("amps", "amps", "A", "log.csv", "house"),
        ("block_2_volts", "block_2_volts", "V", "log.csv", "house"),
        ("ambient_celsius", "ambient_celsius", "°C", "log.csv", "house"),
    ]
    assert [(one.resolution, one.scales[0].factor, one.scales[0].shift) for one in series] == [(0.001, 1.0, 0.0)] * 3
    assert [one.scales[0].since_ms for one in series] == [None] * 3
    merged = [int(time) for block in blocks for time in block.mono_ms]
    start = 1_777_636_800_000
    assert merged == [start, start + 1000, start + 1001, start + 1002, start + 2000]
    walls = [int(time) for block in blocks for time in block.mono_ms + block.wall_minus_mono_ms]
    assert walls == [start, start + 1000, start + 1000, start, start + 2000]
    assert [int(count) for block in blocks for count in block.counts[0]] == [-5250, -5250, 1000, 1000, -5000]
    assert [int(count) for block in blocks for count in block.counts[1]] == [6400, MISSING, 1000, 1000, 6300]
    assert [int(count) for block in blocks for count in block.counts[2]] == [21500, MISSING, 1000, 1000, MISSING]
    for block in blocks:
        assert block.series == (0, 1, 2)
        assert block.boot == 0
        assert not block.clock.any()
        assert {column.dtype for column in block.counts} == {np.dtype(np.int64)}
    assert report.channels == ("amps", "block_2_volts", "ambient_celsius")
    assert report.ignored_columns == ("note",)
    assert (report.rows, report.kept, report.bad_rows, report.bad_cells) == (6, 3, 1, 1)
    assert (report.repeated, report.repeated_lines, report.backward, report.backward_lines) == (1, (4,), 1, (5,))
    assert [fault.line for fault in report.faults] == [6, 7]
    assert (report.first_ms, report.last_ms, report.nominal_interval_ms) == (merged[0], merged[-1], 1000)
    assert report.ambiguous == 0


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_byte_order_marks(tmp_path: Path, line_end: str, mark: str) -> None:
    text = line_end.join(["time;volts", "1;48,5", "", "2;48,6"])

    assert rows(ReadingsFile(write(tmp_path, mark + text), None)) == [[1000, 48500], [2000, 48600]]


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_lines_are_whole_across_blocks_of_the_file(tmp_path: Path, line_end: str) -> None:
    count = 150_000  # more than two blocks
    lines = [f"{row},{row}.5" for row in range(count)]
    readings = ReadingsFile(write(tmp_path, line_end.join(["time,volts", *lines])), None)

    blocks = list(readings.blocks())

    assert len(blocks) > 2
    times = np.concatenate([block.mono_ms for block in blocks])
    volts = np.concatenate([block.counts[0] for block in blocks])
    assert (times == np.arange(count) * 1000).all()
    assert (volts == np.arange(count) * 1000 + 500).all()


def test_faults_far_down_have_the_right_line_number(tmp_path: Path) -> None:
    lines = [f"{row},48.5" for row in range(150_000)]
    lines[140_000] = "140000,48.5,9"
    readings = ReadingsFile(write(tmp_path, "\n\ntime,volts\n" + "\n".join(lines)), None)

    for _ in readings.blocks():
        pass

    assert [fault.line for fault in readings.report.faults] == [140_004]


def test_times_without_offset_use_the_timezone_of_the_site(tmp_path: Path) -> None:
    path = write(tmp_path, "time,volts\n2026-05-01 14:00:00,1\n2026-05-01 14:00:01,1\n")

    assert [row[0] for row in rows(ReadingsFile(path, VIENNA))] == [1_777_636_800_000, 1_777_636_801_000]


def test_mapped_columns_keep_their_names_and_resolution(tmp_path: Path) -> None:
    path = write(tmp_path, "Zeit;Spannung;Strom\n1;48,55;3\n".encode("latin-1"))
    readings = ReadingsFile(path, None, {"Zeit": ("time", 1.0), "Spannung": ("volts", 0.05), "Strom": ("amps", 1.0)})

    volts, amps = readings.series("house")
    assert (volts.place, volts.resolution, volts.scales[0].factor) == ("Spannung", 0.05, 50.0)
    assert (amps.place, amps.resolution, amps.scales[0].factor) == ("Strom", 1.0, 1000.0)
    assert rows(readings) == [[1000, 971, 3]]


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"time,volts\n1,2\n")))
    readings = ReadingsFile("-", None)

    assert rows(readings) == [[1000, 2000]]
    assert readings.series("house")[0].device == "standard input"
    assert not sys.stdin.buffer.closed


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"line 1: found ''; expected a header"),
        (b"\xff\xfet\x00i\x00m\x00e\x00", "UTF-16 text; expected UTF-8"),
        (b"time,volts\n", "line 2: found no readings"),
        (b"time,volts\n" + b"1" * 3_000_000, "without a line end"),
        (b"time,volts\n" + b"x,1\n" * 10, r"line 2: found 'x' is not a time .*10 bad rows of 10"),
        (b"\x00" * 1000, "expected a header"),
    ],
)
def test_files_that_cannot_be_taken_name_file_line_found_and_expected(
    tmp_path: Path, content: bytes, message: str
) -> None:
    readings = ReadingsFile(write(tmp_path, content), None)

    with pytest.raises(ReadingsFileError, match=message) as caught:
        rows(readings)
    assert str(caught.value).startswith(str(tmp_path / "log.csv"))
    assert readings._file is None


def test_files_that_cannot_be_opened_say_why(tmp_path: Path) -> None:
    with pytest.raises(ReadingsFileError, match=r"absent\.csv cannot be read: No such file"):
        ReadingsFile(tmp_path / "absent.csv", None).series("house")
    with pytest.raises(ReadingsFileError, match="directory"):
        ReadingsFile(tmp_path, None).series("house")


def test_a_file_that_was_only_looked_at_can_be_closed(tmp_path: Path) -> None:
    readings = ReadingsFile(write(tmp_path, "time,volts\n1,2\n"), None)
    readings.series("house")

    readings.close()

    assert readings._file is None

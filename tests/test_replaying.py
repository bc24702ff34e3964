"""Files of past readings: what a cell can't be is left out and said, whatever stands in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from loggerd.errors import ReadingsFileError
from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.marks import Mark
from loggerd.replaying import Replayed, replay_file
from loggerd.settings.load import load_settings

SITE = """
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "agm"
strings = 2
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
"""


def _amps(minute: int) -> float:
    """60 Ah out from 06:00, 64 Ah back from 10:00, in readings that see a switch a minute late."""
    return -20.0 if 360 < minute <= 540 else 20.0 if 600 < minute <= 792 else 0.0


def _replay(folder: Path, header: str, rows: list[str]) -> Replayed:
    (folder / "site.toml").write_text(SITE)
    (folder / "day.csv").write_text("time," + header + "\n" + "\n".join(rows) + "\n")
    return replay_file(load_settings(folder / "site.toml"), "house", str(folder / "day.csv"))


def _cycle(replayed: Replayed) -> Entry:
    (cycle,) = [entry for entry in replayed.entries if entry.ledger is LedgerName.CYCLES]
    return cycle


@pytest.mark.parametrize("nonsense", ["2000000000000", "9e15", "-1e30", "99999"])
def test_a_current_that_no_bank_can_carry_is_marked_and_not_summed(tmp_path: Path, nonsense: str) -> None:
    rows = [f"{n * 60},{nonsense if n == 400 else _amps(n)},{50 + n % 7 / 100}" for n in range(1440)]
    replayed = _replay(tmp_path, "amps,volts", rows)

    assert _cycle(replayed).figure("discharge_amp_hours").value == pytest.approx(60.0, abs=0.01)
    marks = [(one.channel, Mark(one.mark)) for one in replayed.marks]
    assert ("amps", Mark.OUT_OF_RANGE) in marks or replayed.report.bad_cells == 1


def test_a_counter_in_a_file_is_preferred_to_its_current(tmp_path: Path) -> None:
    net, rows = 0.0, []
    for n in range(1440):
        net += _amps(n) / 60
        rows.append(f"{n * 60},{_amps(n) * 1.05:.3f},{net:.3f}")
    replayed = _replay(tmp_path, "amps,net_amp_hours", rows)

    assert _cycle(replayed).figure("discharge_amp_hours").value == pytest.approx(60.0, abs=0.001)
    assert Mark.COUNTER_RESET not in [Mark(one.mark) for one in replayed.marks]


def test_a_counter_that_was_set_back_by_little_is_noticed(tmp_path: Path) -> None:
    """Set to zero after 43 Ah, in a minute in which a 200 A burst could not have moved more than 3.3 Ah."""
    net, rows = 0.0, []
    for n in range(1440):
        net = 0.0 if n == 490 else net + _amps(n) / 60
        rows.append(f"{n * 60},{_amps(n)},{net:.3f}")
    replayed = _replay(tmp_path, "amps,net_amp_hours", rows)

    assert _cycle(replayed).figure("discharge_amp_hours").value == pytest.approx(60.0, abs=0.01)
    assert [Mark(one.mark) for one in replayed.marks if one.channel == "net_amp_hours"] == [Mark.COUNTER_RESET]


def test_rows_of_several_instruments_in_one_file(tmp_path: Path) -> None:
    """As an export writes them: the voltage in rows of its own, every 10 s between the currents of each minute."""
    rows = []
    for n in range(1440):
        rows.append(f"{n * 60},{_amps(n)},")
        rows += [f"{n * 60 + second}.5,,{50 + second / 1000}" for second in range(0, 60, 10)]
    replayed = _replay(tmp_path, "amps,volts", rows)

    cycle = _cycle(replayed)
    assert cycle.figure("discharge_amp_hours").value == pytest.approx(60.0, abs=0.01)
    assert cycle.figure("discharge_watt_hours").value == pytest.approx(60.0 * 50.05, rel=0.001)
    assert cycle.figure("gap_seconds").value == 0
    assert not [one for one in replayed.marks if Mark(one.mark) is Mark.UNREADABLE]


@pytest.mark.parametrize("column", ["block_9_volts", "string_3_amps", "block_99_celsius"])
def test_a_column_of_a_block_that_the_bank_does_not_have_is_refused(tmp_path: Path, column: str) -> None:
    with pytest.raises(ReadingsFileError, match=f"found a column for {column}"):
        _replay(tmp_path, f"amps,{column}", ["0,1,1", "60,1,1"])

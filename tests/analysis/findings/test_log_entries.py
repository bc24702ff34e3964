"""What keepers tell in the log book changes what findings say from there on."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, ground_of, limits_of, make_frame

from loggerd.analysis.findings.blocks import Blocks
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.catalogue import Moment
from loggerd.analysis.findings.events import BecameFull, Event
from loggerd.analysis.findings.heat_water import Water
from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Bank, BankType
from loggerd.model.finding import Finding, Grade
from loggerd.model.log_book import LogEntry, LogValue

DAY = 288
FLOODED = Bank("bank", BankType.FLOODED_ANTIMONY, 1, 4, 6, 200.0, 20.0)
SMALL = small_bank(200.0, blocks=4, cells=3)
LIMITS = limits_of()


def entry(kind: str, data: Mapping[str, LogValue], position: int = 0) -> LogEntry:
    return LogEntry("one", "bank", kind, START_MS + position * FRAME_MS + 1000, "keeper", data)


def watered(day_of_watering: int | None, days: int) -> list[str]:
    """Verdicts of the water: 8 Ah of overcharge a day, full each evening."""
    water, hours, found = Water(ground_of(FLOODED)), FRAME_MS / 3_600_000, list[Finding]()
    for day in range(days):
        entries = (entry("watering", {"litres": 1.0}),) if day == day_of_watering else ()
        out = make_frame(FLOODED, day * DAY, -80.0 / hours, 48.0)
        back = make_frame(FLOODED, day * DAY + 1, 88.0 / hours, 57.0)
        full = make_frame(FLOODED, day * DAY + 2, 0.0, 50.0)
        events: list[Event] = [BecameFull(full.end_ms, True, START_MS, 2.467, 2.0, 25.0, None)]
        found += water.push(Moment(out, LIMITS, entries=entries)) + water.push(Moment(back, LIMITS))
        found += water.push(Moment(full, LIMITS, events))
        again = Water(ground_of(FLOODED))
        again.load_plain(water.to_plain())
        water = again
    return [one.verdict for one in found]


def test_a_watering_ends_what_was_due_and_begins_the_forecast_anew() -> None:
    assert watered(None, 36)[-1] == "due"
    assert watered(34, 36)[-2:] == ["due", "interval"]
    assert "due" not in watered(20, 45), "25 days of 2.7 g are less than the reserve of 80 g"


def scale(shown: float, read: float, **data: LogValue) -> list[Finding]:
    """A current is read for two hours; then a trusted meter's reading of the middle of that time is typed in."""
    meter, found = Meter(ground_of(SMALL)), list[Finding]()
    for position in range(24):
        found += meter.push(Moment(make_frame(SMALL, position, read, 24.6), LIMITS))
    told = entry("reference_reading", {"channel": "amps", "value": shown, **data}, 12)
    found += meter.push(Moment(make_frame(SMALL, 24, read, 24.6), LIMITS, entries=(told,)))
    return [one for one in found if one.name == "meter.shunt_scale"]


def test_a_trusted_meter_that_shows_the_same_settles_the_scale() -> None:
    (told,) = scale(-20.0, -20.4)
    assert (told.verdict, told.grade) == ("right", Grade.TESTED)
    assert told.value == pytest.approx(102.0)


@pytest.mark.parametrize(("read", "verdict"), [(-30.0, "too_large"), (-13.3, "too_small")])
def test_a_trusted_meter_that_shows_another_current_names_the_scale(read: float, verdict: str) -> None:
    (told,) = scale(-20.0, read)
    assert (told.verdict, told.grade) == (verdict, Grade.TESTED)
    assert "[[device.channel.correction]]" in told.reason


def test_a_reading_of_another_channel_or_of_next_to_nothing_settles_no_scale() -> None:
    assert not scale(-20.0, -30.0, channel="volts")
    assert not scale(-0.2, -0.3)


def compared() -> Compared:
    def row() -> list[float | None]:
        return [0.0, 0.01, 0.02, 0.03]

    return Compared(
        0, 1, 0.5, True, -10.0, -10.0, 2.4, 1.0, 0.01, row(), row(), row(), row(), row(), row(), row(), row()
    )


def test_another_block_begins_its_history_anew_and_the_others_keep_theirs() -> None:
    blocks = Blocks(ground_of(SMALL))
    blocks._records, blocks._histories = [compared()], [[0.1, 0.2] for _ in range(4)]
    blocks._words[1] = "low_capacity"
    swap = entry("block_swapped", {"position": 2.0, "new_serial": "b"})
    found = blocks.push(Moment(make_frame(SMALL, 0, -1.0, 24.6), LIMITS, entries=(swap,)))

    assert [(one.subject, one.verdict) for one in found if one.name == "blocks.cause"] == [("block 2", "not_judged")]
    assert [len(one) for one in blocks._histories] == [2, 0, 2, 2]
    assert [one is None for one in blocks._records[0].capacity] == [False, True, False, False]

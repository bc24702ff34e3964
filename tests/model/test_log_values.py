"""What keepers type: units and commas are understood, all faults are told at once, values stay what they are."""

from __future__ import annotations

import pytest
from fold_tools import bank as small_bank
from hypothesis import given
from hypothesis import strategies as st

from loggerd.model.log_book import LogEntry, corrections, holding
from loggerd.model.log_kinds import LOG_KINDS, Form, LogField, LogKind, log_kind
from loggerd.model.log_units import UNITS, read_number
from loggerd.model.log_values import check_values, count_of, typed_again

BANK = small_bank(200.0, blocks=4, cells=3)
"""12 cells."""


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("1.265", "", 1.265),
        ("1,265", "", 1.265),
        (" 2,5 l ", "l", 2.5),
        ("250 ml", "l", 0.25),
        ("2.5L", "l", 2.5),
        ("0,3 l", "ml", 300.0),
        ("77 F", "°C", 25.0),
        ("77°F", "°C", 25.0),
        ("-40 f", "°C", -40.0),
        ("298.15 K", "°C", 25.0),
        ("25", "°C", 25.0),
        ("12.6 V", "V", 12.6),
        ("12600mV", "V", 12.6),
        ("-15,2 A", "A", -15.2),
        ("+3 a", "A", 3.0),
        ("90 min", "h", 1.5),
        ("2 days", "h", 48.0),
        ("10 ft-lb", "Nm", 13.55817948),
        (",5", "V", 0.5),
    ],
)
def test_numbers_are_understood_as_keepers_write_them(typed: str, unit: str, value: float) -> None:
    assert read_number(typed, unit) == value


@pytest.mark.parametrize("typed", ["", "V", "1,265.5", "1.265,5", "12 A", "12 V V", "1e3", "nan", "inf", "--1", "1 2"])
def test_what_could_be_misunderstood_is_refused(typed: str) -> None:
    with pytest.raises(ValueError, match=r"a number in V, such as 12\.5 or 12,5"):
        read_number(typed, "V")


@pytest.mark.parametrize("typed", ["1.265", "1265", "1,265", "1265,0"])
def test_specific_gravity_is_taken_in_points_too(typed: str) -> None:
    assert check_values("hydrometer_round", BANK, {"cell_3": typed}).data == {"cell_3": 1.265}


@pytest.mark.parametrize("typed", ["0.99", "1.401", "999", "1401", "12650", "1.265 V"])
def test_no_such_specific_gravity(typed: str) -> None:
    checked = check_values("hydrometer_round", BANK, {"cell_3": typed})
    assert len(checked.faults) == 1
    assert checked.faults[0].startswith(f'cell_3: found "{typed}"; expected ')


def test_a_row_of_cells_with_one_left_out() -> None:
    row = " ".join(["1,265", "1.260", "-", *["1250"] * 9])
    checked = check_values("hydrometer_round", BANK, {"cells": row, "cell_3": "1.2", "celsius": "77 F"})
    assert checked.faults == []
    assert list(checked.data) == [*(f"cell_{number}" for number in range(1, 13)), "celsius"]
    assert checked.data["cell_3"] == 1.2
    assert checked.data["celsius"] == 25.0


def test_a_row_of_the_wrong_length_says_how_many_are_expected() -> None:
    (fault,) = check_values("hydrometer_round", BANK, {"cells": "1.26 1.25"}).faults
    assert fault == 'cells: found 2 values; expected 12, one for each cell of bank "bank", with spaces between' + (
        " (- for one left out)"
    )


def test_all_faults_come_at_once() -> None:
    given = {"position": "5", "old_serial": " ", "nw_serial": "B7"}
    faults = check_values("block_swapped", BANK, given).faults
    assert [fault.split(":")[0] for fault in faults] == ["position", "old_serial", "nw_serial", "new_serial"]
    assert faults[0] == 'position: found "5"; expected 1 to 4'
    assert faults[2] == "nw_serial: block_swapped has no such value; expected position, old_serial, new_serial, text"
    assert faults[3] == "new_serial: missing; expected serial number of the block put in"


def test_a_kind_that_is_not_there_says_which_are() -> None:
    (fault,) = check_values("waterring", BANK, {}).faults
    assert fault.startswith('kind: found "waterring"; expected one of watering, hydrometer_round')


@pytest.mark.parametrize(("kind", "needed"), [("note", "text"), ("treatment", "text"), ("watering", "missing")])
def test_what_must_be_told_is_asked_for(kind: str, needed: str) -> None:
    assert [fault.split(":")[0].split(";")[0] for fault in check_values(kind, BANK, {}).faults] == [needed]


@pytest.mark.parametrize(
    ("given", "fault"),
    [
        ({"channel": "amps", "value": "12 V"}, 'value: found "12 V"; expected a number in A'),
        ({"channel": "volts", "value": "-12,6 A"}, 'value: found "-12,6 A"; expected a number in V'),
        ({"channel": "block_5_volts", "value": "6.1 V"}, 'channel: found "block_5_volts"; expected a channel of bank'),
        ({"channel": "ambient_celsius", "value": "20"}, "channel: found"),
        ({"channel": "volts", "value": "490"}, 'value: found "490"; expected at most 48 V for this bank'),
        ({"channel": "voltage", "value": "12"}, 'channel: found "voltage"; expected volts, amps'),
    ],
)
def test_a_reading_goes_by_the_unit_of_its_channel(given: dict[str, str], fault: str) -> None:
    faults = check_values("reference_reading", BANK, given).faults
    assert len(faults) == 1
    assert faults[0].startswith(fault)
    right = check_values("reference_reading", BANK, {"channel": "amps", "value": "-12,6 A"})
    assert (right.data, right.faults) == ({"channel": "amps", "value": -12.6}, [])


@pytest.mark.parametrize("text", ["a\nb", "a\x1b[31m", "x" * 501])
def test_text_is_one_plain_line(text: str) -> None:
    (fault,) = check_values("note", BANK, {"text": text}).faults
    assert "text on one line, at most 500 characters" in fault


# -- every kind of the catalogue --


def _example(one: LogField) -> st.SearchStrategy[str]:
    """Something right for a field, as somebody might type it."""
    words = {
        Form.CHOICE: one.choices,
        Form.YES_NO: ("yes", "No", "TRUE", "0"),
        Form.TEXT: ("A1", "größer = 3", "12"),
        Form.CHANNEL: ("amps", "block_4_volts", "volts"),
        Form.READING: ("3", "-2,25", "0"),
    }
    if one.form in words:
        return st.sampled_from(words[one.form])
    high = count_of(BANK, one.most) if one.most else one.high
    if one.form is Form.WHOLE:
        return st.integers(int(one.low), int(high)).map(str)
    numbers = st.floats(one.low, high).map(lambda number: f"{number:.6f}")
    return numbers.filter(lambda text: one.low <= float(text) <= high)


def _typed(kind: LogKind) -> st.SearchStrategy[dict[str, str]]:
    fields = {}
    for one in kind.fields:
        name = f"{one.each}_2{'_' + one.end if one.end else ''}" if one.each else one.name
        fields[name] = _example(one)
    return st.fixed_dictionaries({**fields, "text": st.just("because")})


@pytest.mark.parametrize("kind", LOG_KINDS, ids=lambda kind: kind.name)
@given(data=st.data())
def test_values_checked_again_are_the_same(kind: LogKind, data: st.DataObject) -> None:
    first = check_values(kind.name, BANK, data.draw(_typed(kind)))
    assert first.faults == []
    again = check_values(kind.name, BANK, typed_again(first.data, first.text))
    assert (again.faults, again.data, again.text) == ([], first.data, "because")
    assert len(first.data) == len(kind.fields)


@pytest.mark.parametrize("kind", LOG_KINDS, ids=lambda kind: kind.name)
def test_every_kind_explains_itself(kind: LogKind) -> None:
    assert log_kind(kind.name) is kind
    assert kind.words
    assert kind.explanation.endswith(".")
    assert {kind.field(name).required for name in kind.one_of} <= {False}
    names = [one.name for one in kind.fields]
    assert len(set(names)) == len(names)
    assert "text" not in names
    for one in kind.fields:
        assert one.unit in UNITS
        assert one.words
        assert one.form is not Form.NUMBER or one.low < one.high
        assert bool(one.choices) == (one.form is Form.CHOICE)
        assert not one.each or one.name.startswith(one.each)


@given(st.dictionaries(st.text(max_size=12), st.text(max_size=30), max_size=5), st.sampled_from(LOG_KINDS))
def test_nothing_that_is_typed_does_more_than_be_refused(typed: dict[str, str], kind: LogKind) -> None:
    checked = check_values(kind.name, BANK, typed)
    if not checked.faults:
        assert check_values(kind.name, BANK, typed_again(checked.data, checked.text)).data == checked.data


# -- corrections --


def entry(uid: str, corrects: str | None = None) -> LogEntry:
    return LogEntry(uid, "bank", "note", 0, "anna", {}, uid, corrects)


def test_the_newest_correction_holds_whichever_it_names() -> None:
    log = [entry("a"), entry("b"), entry("c", "a"), entry("d", "a"), entry("e", "c")]
    assert corrections(log) == {"a": "e", "c": "e", "d": "e"}
    assert [one.uid for one in holding(log)] == ["b", "e"]


def test_a_correction_of_what_is_not_there_holds() -> None:
    assert [one.uid for one in holding([entry("b", "a")])] == ["b"]


def test_numbers_one_by_one() -> None:
    data = {"cell_10": 1.2, "cell_2": 1.1, "cell_2_celsius": 20.0, "celsius": 21.0, "cell_03": 1.3, "distilled": True}
    one = LogEntry("a", "bank", "hydrometer_round", 0, "anna", data)
    assert one.by_number("cell") == {2: 1.1, 10: 1.2}
    assert one.by_number("cell", "celsius") == {2: 20.0}
    assert one.number("celsius") == 21.0
    assert one.number("distilled") is None

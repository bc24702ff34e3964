"""loggerd log: what is typed is checked, written down, shown, corrected, and never changed."""

from __future__ import annotations

import csv
import io
import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from cli_files import SITE, call

from loggerd.model.log_kinds import LOG_KINDS
from loggerd.store.record import RecordWriter

TWO = SITE + SITE[SITE.index("[[bank]]") :].replace("house", "boat").replace(
    "blocks_per_string = 4", "blocks_per_string = 1"
)


class Book:
    """The log book of a small site, by command."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.settings = folder / "site.toml"
        self.settings.write_text(SITE, encoding="utf-8")
        self._capsys = capsys

    def call(self, *words: str | Path, code: int = 0) -> str:
        """What the verb prints; of a refusal, what it says is wrong."""
        self._capsys.readouterr()
        assert call("log", self.settings, *words) == code
        said = self._capsys.readouterr()
        assert (said.err == "") == (code == 0)
        return said.err or said.out

    def listed(self, *words: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads(self.call("list", "--json", *words))["log"]
        return found


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Book:
    return Book(tmp_path, capsys)


def test_an_entry_is_written_down_and_shown(book: Book) -> None:
    said = book.call("add", "watering", "litres=2,5 l", "distilled=yes", "--at", "2026-05-01T17:30", "--who", "Anna")

    assert said.splitlines()[0].startswith("2026-05-01 17:30+02:00  house: water added  [")
    assert said.splitlines()[1:] == ["  litres: 2.50 l; distilled: yes", "taken in"]
    (entry,) = book.listed()
    assert (entry["happened"], entry["who"], entry["kind"]) == ("2026-05-01T15:30:00.000Z", "Anna", "watering")
    assert entry["data"] == {"litres": 2.5, "distilled": True}
    assert (entry["corrects"], entry["corrected_by"]) == (None, None)
    assert said.replace("taken in\n", "") == book.call("list")


def test_options_may_stand_between_the_words(book: Book) -> None:
    book.call("add", "watering", "--who", "Anna", "litres=1", "--at", "2026-05-01", "text=after the charge")
    (entry,) = book.listed()
    assert (entry["data"], entry["text"]) == ({"litres": 1.0}, "after the charge")


def test_who_is_the_login_name_if_not_told(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGNAME", "bert")
    book.call("add", "note", "text=x")
    assert book.listed()[0]["who"] == "bert"


def test_a_hydrometer_round_is_judged_by_the_rule_in_force(book: Book) -> None:
    cells = " ".join(["1,270", "1265", "1.268", "1.238", *["1.266"] * 20])
    said = " ".join(book.call("add", "hydrometer_round", f"cells={cells}", "celsius=95 F").split())
    assert "specific gravity at 25 °C: 1.245 (cell 4) to 1.277 (cell 1), 0.032 apart: too far apart" in said
    assert "by the limit specific_gravity_spread, 0.030" in said

    limit = '[[bank.limit]]\nname = "specific_gravity_spread"\nvalue = 0.05\nsource = "maker"\n'
    book.settings.write_text(SITE + limit, encoding="utf-8")
    said = " ".join(book.call("list").split())
    assert "0.032 apart: near enough to each other by the limit specific_gravity_spread, 0.050" in said


def test_all_faults_are_told_at_once_and_nothing_is_written(book: Book) -> None:
    said = book.call(
        "add", "watering", "litres=lots", "colour=blue", "cell_25_millilitres=3", "oops", "--at", "2999-01-01", code=2
    )
    lines = said.splitlines()
    assert lines[0] == "loggerd log: this cannot be written down:"
    assert [line.split(":")[0].strip() for line in lines[1:]] == [
        '"oops"',
        "--at",
        "litres",
        "colour",
        "cell_25_millilitres",
    ]
    assert not book.settings.with_name("record.sqlite").exists()
    assert not book.settings.with_name("record.sqlite.inbox").exists()


@pytest.mark.parametrize("words", [("add",), ("add", "dance"), ("correct",), ("kinds", "dance")])
def test_what_is_missing_is_named(book: Book, words: tuple[str, ...]) -> None:
    said = book.call(*words, code=2)
    assert "uid" in said if words == ("correct",) else "watering" in said


@pytest.mark.parametrize("time", ["yesterday", "1890-01-01"])
def test_a_time_that_cannot_be_is_refused(book: Book, time: str) -> None:
    assert "--at" in book.call("add", "note", "text=x", "--at", time, code=2)


def test_a_correction_is_an_entry_and_both_are_shown(book: Book) -> None:
    book.call("add", "watering", "litres=2.5", "text=typed wrong", "--at", "2026-05-01", "--who", "Anna")
    first = book.listed()[0]["uid"]

    book.call("correct", first[:6], "litres=3 l", "text=", "distilled=no", "--who", "Bert")

    before, after = book.listed()
    assert before["corrected_by"] == after["uid"]
    assert before["data"] == {"litres": 2.5}
    assert after["corrects"] == first
    assert (after["data"], after["text"], after["who"]) == ({"litres": 3.0, "distilled": False}, "", "Bert")
    assert after["happened"] == before["happened"]
    said = book.call("list")
    assert f"does not hold any more: {after['uid']} holds instead" in said
    assert f"corrects {first}" in said

    book.call("correct", after["uid"], "--at", "2026-05-02")
    assert [one["corrected_by"] is None for one in book.listed()] == [False, False, True]
    assert book.listed()[2]["data"] == {"litres": 3.0, "distilled": False}


def test_a_correction_is_checked_as_a_whole(book: Book) -> None:
    book.call("add", "watering", "litres=2.5")
    uid = book.listed()[0]["uid"]
    assert "at least one of litres" in book.call("correct", uid, "litres=", code=2)
    assert "nothing to correct" in book.call("correct", uid, code=2)
    assert "no entry with a uid that begins with zzz" in book.call("correct", "zzz", "litres=1", code=2)
    assert len(book.listed()) == 1


def test_the_list_is_of_a_time_and_a_bank(book: Book) -> None:
    book.settings.write_text(TWO, encoding="utf-8")
    for day, bank in (("03", "house"), ("01", "boat"), ("02", "house")):
        book.call("add", "note", f"text=day {day}", "--at", f"2026-05-{day}", "--bank", bank)
    assert [one["text"] for one in book.listed()] == ["day 01", "day 02", "day 03"]
    assert [one["text"] for one in book.listed("--bank", "house")] == ["day 02", "day 03"]
    assert [one["text"] for one in book.listed("--from", "2026-05-02", "--until", "2026-05-03")] == ["day 02"]
    assert book.call("list", "--from", "2027-01-01") == "nothing was written down in that time\n"
    assert "say which with --bank" in book.call("add", "note", "text=x", code=2)


def test_csv_has_a_column_for_each_value(book: Book) -> None:
    book.call("add", "watering", "litres=2,5", "distilled=no", "text=a; b, c", "--at", "2026-05-01")
    book.call("add", "reference_reading", "channel=amps", "value=-12,6 A", "--at", "2026-05-02")
    first, second = csv.DictReader(io.StringIO(book.call("list", "--csv")))
    assert (first["litres"], first["distilled"], first["text"], first["value"]) == ("2.5", "no", "a; b, c", "")
    assert (second["litres"], second["channel"], second["value"]) == ("", "amps", "-12.6")
    assert second["happened"] == "2026-05-01T22:00:00.000Z"


def test_kinds_says_every_kind_with_its_values(book: Book) -> None:
    said = book.call("kinds")
    for kind in LOG_KINDS:
        assert f"\n{kind.name}: " in f"\n{said}"
        assert all(f"  {one.shown}: " in said for one in kind.fields)
    assert max(map(len, said.splitlines())) <= 92
    assert book.call("kinds", "note").startswith("note: ")


def test_beside_a_service_it_is_said_that_the_entry_waits(book: Book) -> None:
    with closing(RecordWriter.open(book.settings.with_name("record.sqlite"))):
        said = book.call("add", "note", "text=x", "--wait", "0.01")
        assert said.splitlines()[-1] == (
            "waiting: the service takes it in at its next commit (every 10 s, or when it is started again)"
        )
        assert book.call("list") == "nothing was written down\n"
    assert book.call("add", "note", "text=y").splitlines()[-1] == "taken in"
    assert [one["text"] for one in book.listed()] == ["x", "y"]


def test_a_damaged_record_keeps_the_entry_for_later(book: Book) -> None:
    record = book.settings.with_name("record.sqlite")
    record.write_bytes(b"no database at all" * 1000)
    said = book.call("add", "note", "text=x", code=1)
    assert "What was asked for is kept in" in said
    assert len(list(record.with_name("record.sqlite.inbox").iterdir())) == 1

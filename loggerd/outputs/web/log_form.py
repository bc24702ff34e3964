"""The form of a kind of log entry, generated from the catalogue: fields with unit, range and what is wrong."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from loggerd.model.bank import Bank
from loggerd.model.log_book import number_within, numbered
from loggerd.model.log_kinds import Form, LogField, LogKind
from loggerd.model.log_values import MOST_CHARACTERS, count_of, typed_again
from loggerd.wording.filling import capital
from loggerd.wording.reader import Reader

PREFIX = "v_"
"""Before the names of values in the form, so that none of them can be taken for the form's own."""
MOST_ONE_BY_ONE = 150
"""Fields of a kind in a grid. A bank with more cells gets one long field, in which they are written in a row."""
_BARE = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+[.,]?")


@dataclass(frozen=True)
class FieldView:
    """One field. `control`: "line", "choice" or "row"; `keys`: what keyboard a telephone shows, "" for the whole one;
    `sign`: what a narrow field shows while it is empty.
    """

    name: str
    label: str
    hint: str
    control: str = "line"
    keys: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    needed: bool = False
    typed: str = ""
    fault: str = ""
    sign: str = ""

    @property
    def id(self) -> str:
        return f"{PREFIX}{self.name}"


@dataclass(frozen=True)
class CellView:
    """A cell or block with its fields."""

    title: str
    fields: tuple[FieldView, ...]


@dataclass(frozen=True)
class GridView:
    """Cells or blocks as they stand: strings, in them blocks, in them cells. `hints`: of the fields, told once.

    `open`: whether it is shown at once.
    """

    title: str
    hints: tuple[tuple[str, str], ...]
    open: bool
    fault: str
    strings: tuple[tuple[str, tuple[tuple[str, tuple[CellView, ...]], ...]], ...]


@dataclass(frozen=True)
class FormView:
    """The form. `faults`: what is wrong, each with the id of its field ("" for the whole form)."""

    fields: tuple[FieldView, ...]
    grids: tuple[GridView, ...]
    one_of: str
    faults: tuple[tuple[str, str], ...] = ()


@dataclass
class Typed:
    """What was typed, by names of the catalogue, and what is wrong with it by the same names."""

    given: Mapping[str, str]
    faults: Mapping[str, str] = field(default_factory=dict)


def form_view(kind: LogKind, bank: Bank, channels: Iterable[str], typed: Typed, reader: Reader) -> FormView:
    """The form of a kind of entry for one bank. `channels`: those that can be held against a trusted meter."""
    made = _Maker(kind, bank, tuple(channels), typed, reader)
    single = [made.single(one) for one in kind.fields if not one.each]
    grids, rows = [], []
    for each in dict.fromkeys(one.each for one in kind.fields if one.each):
        fields = [one for one in kind.fields if one.each == each]
        if count_of(bank, each) > MOST_ONE_BY_ONE:
            rows += [made.row(one) for one in fields]
        else:
            grids.append(made.grid(each, fields))
    single.append(made.text())
    one_of = ""
    if kind.one_of:
        one_of = f"At least one is needed: {'; '.join(kind.field(name).words for name in kind.one_of)}."
    faults = tuple(made.listed())
    return FormView((*rows, *single), tuple(grids), one_of, faults)


class _Maker:
    def __init__(self, kind: LogKind, bank: Bank, channels: tuple[str, ...], typed: Typed, reader: Reader) -> None:
        self.kind, self.bank, self.channels, self.typed, self.reader = kind, bank, channels, typed, reader

    def single(self, one: LogField) -> FieldView:
        choices: tuple[tuple[str, str], ...] = ()
        if one.form is Form.YES_NO:
            choices = (("", "not told"), ("yes", "yes"), ("no", "no"))
        elif one.form is Form.CHOICE:
            choices = (("", "choose"), *((word, word.replace("_", " ")) for word in one.choices))
        elif one.form is Form.CHANNEL:
            former = self.typed.given.get(one.name, "")
            known = (*self.channels, *([former] if former and former not in self.channels else []))
            choices = (("", "choose"), *((name, name.replace("_", " ")) for name in known))
        return self._field(one, one.name, capital(one.words), "choice" if choices else "line", choices)

    def row(self, one: LogField) -> FieldView:
        """All cells in one long field."""
        count = count_of(self.bank, one.each)
        label = f"{capital(one.words)}: all {count} in a row, spaces between, - for one left out"
        typed = self.typed.given.get(one.many) or self._in_a_row(one, count)
        fault = self.typed.faults.get(one.many, "") or self.typed.faults.get(one.shown, "")
        return FieldView(one.many, label, self._range(one), "row", "", (), one.required, typed, fault)

    def _in_a_row(self, one: LogField, count: int) -> str:
        """Cells that were told one by one, as in an entry that is corrected."""
        given = self.typed.given
        parts = [given.get(numbered(one.each, number, one.end), "-") for number in range(1, count + 1)]
        return " ".join(part.replace(" ", "") for part in parts) if any(part != "-" for part in parts) else ""

    def grid(self, each: str, fields: list[LogField]) -> GridView:
        """All cells or blocks, each with its fields."""
        bank = self.bank
        strings = []
        for string in range(1, bank.strings + 1):
            blocks = range((string - 1) * bank.blocks_per_string + 1, string * bank.blocks_per_string + 1)
            if each == "block":
                shown = [("", tuple(self._cell(each, block, fields) for block in blocks))]
            else:
                shown = [(f"Block {block}", self._cells(block, fields)) for block in blocks]
            strings.append((f"String {string}" if bank.strings > 1 else "", tuple(shown)))
        begun = any(name.startswith(f"{each}_") for name in (*self.typed.given, *self.typed.faults))
        return GridView(
            capital("; ".join(one.words for one in fields)),
            tuple((self._short(one), self._range(one)) for one in fields),
            begun or any(one.required for one in fields),
            next((self.typed.faults[one.shown] for one in fields if one.shown in self.typed.faults), ""),
            tuple(strings),
        )

    def _cells(self, block: int, fields: list[LogField]) -> tuple[CellView, ...]:
        count = self.bank.cells_per_block
        return tuple(self._cell("cell", (block - 1) * count + one, fields) for one in range(1, count + 1))

    def _cell(self, each: str, number: int, fields: list[LogField]) -> CellView:
        title = f"{each.capitalize()} {number}"
        made = [
            replace(
                self._field(one, numbered(each, number, one.end), f"{title}, {self._short(one)}", "line", ()),
                sign=self._unit(one) or "SG",
            )
            for one in fields
        ]
        return CellView(title, tuple(made))

    def _short(self, one: LogField) -> str:
        return {"": "specific gravity", "celsius": f"temperature, {self._unit(one)}"}.get(
            one.end, f"water, {self._unit(one)}"
        )

    def text(self) -> FieldView:
        needed = self.kind.needs_text
        label = "What is to be written down" if needed else "In your own words"
        given, fault = self.typed.given.get("text", ""), self.typed.faults.get("text", "")
        hint = f"one line, at most {MOST_CHARACTERS} letters"
        return FieldView("text", label, hint, "line", "", (), needed, given, fault)

    def _field(
        self, one: LogField, name: str, label: str, control: str, choices: tuple[tuple[str, str], ...]
    ) -> FieldView:
        given, fault = self.typed.given.get(name, ""), self.typed.faults.get(name, "")
        hint = "" if choices else self._range(one)
        return FieldView(name, label, hint, control, _keys(one), choices, one.required and not one.each, given, fault)

    def _unit(self, one: LogField) -> str:
        return "°F" if one.unit == "°C" and self.reader.fahrenheit else one.unit

    def _range(self, one: LogField) -> str:
        if one.form is Form.READING:
            return "a number in the unit of the channel; charge is positive"
        if one.form not in (Form.NUMBER, Form.WHOLE):
            return f"at most {MOST_CHARACTERS} letters"
        high = float(count_of(self.bank, one.most)) if one.most else one.high
        low, high = ((32 + 1.8 * bound if self._unit(one) == "°F" else bound) for bound in (one.low, high))
        low_text, high_text = (self.reader.number(bound, one.decimals) for bound in (low, high))
        return f"{low_text} to {high_text} {self._unit(one)}".rstrip()

    def listed(self) -> Iterator[tuple[str, str]]:
        """All faults in words, with the field that each is of."""
        for name, fault in self.typed.faults.items():
            place = f"{PREFIX}{name}" if self._is_field(name) else ""
            yield place, f"{self._called(name)}: {fault}" if name else fault

    def _is_field(self, name: str) -> bool:
        return name == "text" or re.fullmatch(r"[a-z0-9_]+", name) is not None

    def _called(self, name: str) -> str:
        for one in self.kind.fields:
            if name in (one.name, one.many, one.shown) and (not one.each or name != one.name):
                return capital(one.words)
            for number in range(1, count_of(self.bank, one.each) + 1) if one.each else ():
                if name == numbered(one.each, number, one.end):
                    return f"{one.each.capitalize()} {number}, {self._short(one)}"
        return {"text": "Words", "when": "When"}.get(name, name.replace("_", " "))


def _keys(one: LogField) -> str:
    """Digits with a decimal sign. Where a value can lie below zero, the whole keyboard: that of digits has no minus on
    some telephones."""
    if one.form is Form.WHOLE:
        return "numeric"
    return "decimal" if one.form is Form.NUMBER and one.low >= 0 else ""


def given_of(form: Mapping[str, str], kind: LogKind, reader: Reader) -> tuple[dict[str, str], dict[str, str]]:
    """What was typed into the form: as it was typed, and as it is to be checked.

    A temperature without a unit is in the unit that the form showed.
    """
    typed = {name.removeprefix(PREFIX): text for name, text in form.items() if name.startswith(PREFIX) and text.strip()}
    if not reader.fahrenheit:
        return typed, typed
    warm = [one for one in kind.fields if one.unit == "°C"]
    return typed, {name: _with_unit(name, text, warm) for name, text in typed.items()}


def _with_unit(name: str, text: str, warm: list[LogField]) -> str:
    """With F behind a bare number, or behind each of those in a row, where the value is a temperature."""
    for one in warm:
        if one.each and name == one.many:
            return " ".join(f"{part}F" if _BARE.fullmatch(part) else part for part in text.split())
        own = number_within(name, one.each, one.end) is not None if one.each else name == one.name
        if own and _BARE.fullmatch(text.strip()):
            return f"{text.strip()} F"
    return text


def faults_by_name(faults: Iterable[str], kind: LogKind) -> dict[str, str]:
    """Faults of check_values by the names of what they are about; "" for the whole."""
    found: dict[str, str] = {}
    shown = [one.shown for one in kind.fields]
    for fault in faults:
        name, mark, rest = fault.partition(": ")
        known = mark and (name in shown or re.fullmatch(r"[a-z0-9_]+", name))
        key, text = (name, rest) if known else ("", fault)
        found[key] = f"{found[key]}; {text}" if key in found else text
    return found


def typed_before(data: Mapping[str, float | bool | str], text: str, kind: LogKind, reader: Reader) -> dict[str, str]:
    """The values of an entry as this reader would have typed them."""
    units = {one.name: one.unit for one in kind.fields}
    typed = typed_again(data, text)
    for name, value in data.items():
        if isinstance(value, str | bool):
            continue
        celsius = units.get(name) == "°C" or name.endswith("_celsius")
        typed[name] = f"{typed[name]} °C" if celsius and reader.fahrenheit else typed[name]
        if reader.number(0.5, 1) == "0,5":
            typed[name] = typed[name].replace(".", ",")
    return typed

"""LOG_KINDS: the catalogue of what can be told to the log book, with the fields of each kind."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Form(Enum):
    """How a value is written."""

    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    TEXT = "text"
    CHOICE = "one of some words"
    CHANNEL = "a channel of the bank"
    READING = "a number in the unit of the channel"


@dataclass(frozen=True)
class LogField:
    """One value of a kind of entry: its name, words for the keeper, unit, decimals and valid range.

    `each` is "cell" or "block" where one value is told for each: the name then begins with that word, the number goes
    after it (cell_3, cell_3_celsius), and `many` tells all of them in a row. `most` is "cell" or "block" for a whole
    number that may be at most as high as the bank has of them.
    """

    name: str
    words: str
    form: Form = Form.NUMBER
    unit: str = ""
    decimals: int = 0
    low: float = 0.0
    high: float = 0.0
    required: bool = False
    each: str = ""
    most: str = ""
    choices: tuple[str, ...] = ()

    @property
    def end(self) -> str:
        """What stands after the number in the name."""
        return self.name[len(self.each) + 1 :] if self.each else ""

    @property
    def many(self) -> str:
        """The name that tells all of them in a row: cells, cells_celsius."""
        return f"{self.each}s_{self.end}" if self.end else f"{self.each}s"

    @property
    def shown(self) -> str:
        """The name as it is typed."""
        if not self.each:
            return self.name
        one = f"{self.each}_N_{self.end}" if self.end else f"{self.each}_N"
        return f"{one} (or {self.many})"


@dataclass(frozen=True)
class LogKind:
    """One kind of entry. `needs_text`: its words are what it is about. `one_of`: names of which one must be told."""

    name: str
    words: str
    explanation: str
    fields: tuple[LogField, ...] = ()
    needs_text: bool = False
    one_of: tuple[str, ...] = ()

    def field(self, name: str) -> LogField:
        """The field of that name. Raises KeyError."""
        for one in self.fields:
            if one.name == name:
                return one
        raise KeyError(name)


def _celsius(name: str, words: str, each: str = "") -> LogField:
    return LogField(name, words, unit="°C", decimals=1, low=-40.0, high=80.0, each=each)


_POSITION = LogField("position", "place in the bank, 1 at the positive end", Form.WHOLE, low=1, most="block")
_WATERING = LogKind(
    "watering",
    "water added",
    "How much water went in, as a whole or for each cell or block. One thirsty cell, or one that never is, tells"
    " of a fault.",
    (
        LogField("litres", "water added to the whole bank", unit="l", decimals=2, low=0.01, high=2000.0),
        LogField(
            "cell_millilitres", "water added to a cell", unit="ml", decimals=0, low=0.0, high=20_000.0, each="cell"
        ),
        LogField(
            "block_millilitres", "water added to a block", unit="ml", decimals=0, low=0.0, high=60_000.0, each="block"
        ),
        LogField("distilled", "whether the water was distilled or deionised", Form.YES_NO),
    ),
    one_of=("litres", "cell_millilitres", "block_millilitres"),
)
_HYDROMETER = LogKind(
    "hydrometer_round",
    "hydrometer round",
    "Specific gravity of the cells as read (not corrected), best after a full charge and some hours of rest. Cell 1 is"
    " at the positive end; numbers run on through all blocks. With the temperature of the electrolyte, readings are"
    " corrected.",
    (
        LogField("cell", "specific gravity as read", decimals=3, low=1.0, high=1.4, required=True, each="cell"),
        _celsius("celsius", "temperature of the electrolyte, the same for all"),
        _celsius("cell_celsius", "temperature of the electrolyte of a cell", "cell"),
        LogField("rested_hours", "hours without charge or load before", unit="h", decimals=1, low=0.0, high=10_000.0),
        LogField("after_full_charge", "whether the bank was fully charged before", Form.YES_NO),
        LogField("hydrometer", "which hydrometer", Form.TEXT),
    ),
)
_EQUALIZING = (
    LogField("volts", "voltage of the bank that the charger holds", unit="V", decimals=2, low=1.0, high=2000.0),
    _celsius("celsius", "temperature of the warmest cell"),
)
_CAPACITY_BEGUN = LogKind(
    "capacity_test_begun",
    "capacity test begun",
    "A discharge at a steady current to a set voltage begins.",
    (
        LogField("amps", "current of the test, as a positive number", unit="A", decimals=2, low=0.01, high=20_000.0),
        LogField("end_volts", "voltage of the bank at which it ends", unit="V", decimals=2, low=0.5, high=2000.0),
        _celsius("celsius", "temperature of the electrolyte or the blocks"),
    ),
)
_CAPACITY_ENDED = LogKind(
    "capacity_test_ended",
    "capacity test ended",
    "The discharge of the test is over.",
    (
        LogField("amp_hours", "taken out, by whatever counted it", unit="Ah", decimals=1, low=0.01, high=200_000.0),
        LogField("hours", "how long it took", unit="h", decimals=2, low=0.01, high=1000.0),
        LogField("stopped_because", "what ended it", Form.TEXT),
    ),
)

LOG_KINDS: tuple[LogKind, ...] = (
    _WATERING,
    _HYDROMETER,
    LogKind(
        "equalizing_begun",
        "equalizing begun",
        "A deliberate overcharge of flooded cells begins. Block alarms that it would set off can then be held back.",
        _EQUALIZING,
    ),
    LogKind("equalizing_ended", "equalizing ended", "The deliberate overcharge is over.", _EQUALIZING),
    LogKind(
        "block_swapped",
        "block swapped",
        "A block was taken out and another put in its place. What is known of a block goes with its serial number,"
        " not with its place.",
        (
            LogField("position", _POSITION.words, Form.WHOLE, low=1, most="block", required=True),
            LogField("old_serial", "serial number of the block taken out", Form.TEXT),
            LogField("new_serial", "serial number of the block put in", Form.TEXT, required=True),
        ),
    ),
    LogKind(
        "set_point_changed",
        "set point changed",
        "A voltage of the charger or of a cut-off was set anew.",
        (
            LogField(
                "which",
                "the set point",
                Form.CHOICE,
                required=True,
                choices=("absorption", "float", "equalizing", "cut_off", "reconnect"),
            ),
            LogField("from_volts", "before, for the bank", unit="V", decimals=2, low=1.0, high=2000.0),
            LogField(
                "to_volts", "from now on, for the bank", unit="V", decimals=2, low=1.0, high=2000.0, required=True
            ),
        ),
    ),
    LogKind("treatment", "treatment", "Something was done to win back capacity. Say what.", (_POSITION,), True),
    LogKind(
        "reference_reading",
        "reading of a trusted meter",
        "What another, trusted meter shows at this instant. Charge is positive. The channel that loggerd reads is"
        " compared with it.",
        (
            LogField("channel", "channel that it is held against", Form.CHANNEL, required=True),
            LogField("value", "what the trusted meter shows, in V or A", Form.READING, required=True),
            LogField("percent", "accuracy of the trusted meter", unit="%", decimals=2, low=0.0, high=50.0),
            LogField("meter", "which meter", Form.TEXT),
        ),
    ),
    _CAPACITY_BEGUN,
    _CAPACITY_ENDED,
    LogKind(
        "torque_round",
        "torque round",
        "Connections were looked at and tightened, with the load off.",
        (
            LogField("newton_metres", "torque", unit="Nm", decimals=1, low=0.5, high=200.0),
            LogField("loose", "how many were loose", Form.WHOLE, low=0, high=10_000),
        ),
    ),
    LogKind("note", "note", "Anything else worth knowing later.", (), True),
)


def log_kind(name: str) -> LogKind:
    """The kind of that name. Raises KeyError."""
    for one in LOG_KINDS:
        if one.name == name:
            return one
    raise KeyError(name)

"""Newest readings in one person's words: the same for the page as it is made and for what the stream sends after."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from loggerd.live_values import LiveValue, LiveValues
from loggerd.model.bank import Bank
from loggerd.model.channels import Quantity
from loggerd.wording.ages import heard_words, not_heard_words, signed, state_words
from loggerd.wording.block_drawing import BlocksNow, deviations_now
from loggerd.wording.filling import capital
from loggerd.wording.reader import Reader

_DECIMALS = {Quantity.VOLTS: 2, Quantity.AMPS: 1, Quantity.CELSIUS: 1, Quantity.AMP_HOURS: 1}
_LABELS = {"volts": "Voltage", "amps": "Current", "net_amp_hours": "Ah counter", "ambient_celsius": "Air"}
_DOUBTED = "outside its valid range"


@dataclass(frozen=True)
class LiveLine:
    """One value, or several of a kind together. `key` names it in page and stream. `text` is "" where nothing was read
    lately; `heard`: its age, or since when it was not heard; `since`: when it was read, for whoever counts on."""

    key: str
    label: str
    text: str
    heard: str
    late: bool
    at_ms: int
    late_ms: int
    since: str


@dataclass(frozen=True)
class LiveTexts:
    """`state`: what the bank does, or since when it was not heard. `blocks`: how fresh the voltages in the drawing
    are, None where none is measured; `now`: those that are live."""

    state: str
    silent: bool
    lines: tuple[LiveLine, ...]
    blocks: LiveLine | None
    now: BlocksNow


def live_texts(live: LiveValues, reader: Reader, now_ms: int) -> LiveTexts:
    """The newest readings in words."""
    silent = live.silent(now_ms)
    state = capital(not_heard_words(reader, live.last_ms)) if silent else state_words(live.phase)
    lines = [_line(one, reader, now_ms) for one in _whole_bank(live)]
    heat = [one for one in live.values if one.channel.number and one.channel.quantity is Quantity.CELSIUS]
    volts = [one for one in live.values if one.channel.number and one.channel.quantity is Quantity.VOLTS]
    amps = [one for one in live.values if one.channel.number and one.channel.quantity is Quantity.AMPS]
    if heat:
        lines.append(_range("blocks_celsius", "Block temperature", heat, reader, now_ms))
    fresh = {one.channel.number: one.value for one in volts if one.value is not None and not one.late(now_ms)}
    strings = {one.channel.number: one.value for one in amps if one.value is not None and not one.late(now_ms)}
    blocks = _range("blocks", "Block voltages", volts, reader, now_ms) if volts else None
    return LiveTexts(state, silent, tuple(lines), blocks, BlocksNow(fresh, strings))


def live_event(live: LiveValues, bank: Bank, reader: Reader, now_ms: int) -> dict[str, object]:
    """What the stream sends: texts by key, by block and by string, and the times for the script to count on from."""
    texts = live_texts(live, reader, now_ms)
    lines = [*texts.lines, *([texts.blocks] if texts.blocks is not None else [])]
    apart = deviations_now(bank, texts.now.volts)
    boxes = {}
    for number, volts in texts.now.volts.items():
        value = apart[number - 1]
        told = ["", 0.0] if value is None else [signed(reader, value), round(value, 1)]
        boxes[str(number)] = [reader.amount(volts, "V", 2), *told]
    return {
        "now": now_ms,
        "state": texts.state,
        "values": {one.key: [one.text or "-", one.at_ms, one.late_ms, one.since] for one in lines},
        "boxes": boxes,
        "strings": {str(number): reader.amount(amps, "A", 1) for number, amps in texts.now.amps.items()},
    }


def _whole_bank(live: LiveValues) -> Iterable[LiveValue]:
    """Voltage, the current that counts, then what else is read of the bank as a whole."""
    whole = {one.channel.name: one for one in live.values if not one.channel.number}
    volts = whole.pop("volts", None)
    if volts is not None:
        yield volts
    if live.amps is not None:
        whole.pop(live.amps.channel.name, None)
        yield live.amps
    yield from whole.values()


def _line(one: LiveValue, reader: Reader, now_ms: int) -> LiveLine:
    name = one.channel.name
    label = "Current" if one.channel.number else _LABELS.get(name) or capital(reader.subject(name))
    text = "" if one.value is None else _amount(one.value, one.channel.quantity, reader)
    if text and one.doubted:
        text += f" ({_DOUBTED})"
    return _told(name, label, text, [one], reader, now_ms)


def _range(key: str, label: str, several: Sequence[LiveValue], reader: Reader, now_ms: int) -> LiveLine:
    """Lowest and highest of several, as old as the oldest of those that are live."""
    live = [one for one in several if not one.late(now_ms)]
    known = [one.value for one in live if one.value is not None]
    quantity = several[0].channel.quantity
    text = ""
    if known:
        low, high = (_amount(one, quantity, reader) for one in (min(known), max(known)))
        text = high if low == high else f"{low.partition(' ')[0]} to {high}"
    if known and len(live) < len(several):
        text += f" ({len(live)} of {len(several)})"
    return _told(key, label, text, live or several, reader, now_ms)


def _told(key: str, label: str, text: str, of: Sequence[LiveValue], reader: Reader, now_ms: int) -> LiveLine:
    times = [one.at_ms for one in of if one.at_ms is not None]
    at_ms = min(times, default=None)
    late = all(one.late(now_ms) for one in of)
    since = "" if at_ms is None else reader.instant(at_ms)
    heard = heard_words(reader, at_ms, now_ms, late)
    return LiveLine(key, label, text, heard, late, at_ms or 0, max(one.late_ms for one in of), since)


def _amount(value: float, quantity: Quantity, reader: Reader) -> str:
    return reader.amount(value, quantity.value, _DECIMALS[quantity])

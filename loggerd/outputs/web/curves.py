"""/bank/{bank}/curves: readings of any stretch of time, from the tier that fits, as charts and as JSON."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.model.channels import Channel, Quantity
from loggerd.outputs.curves import DAY_MS, MOST_POINTS, Curve, channels_of, curve, curve_values
from loggerd.outputs.web.asking import Ask, CannotBeUsed, Route
from loggerd.outputs.web.curve_views import CHART_POINTS, PHASES_MS, curve_charts, happened
from loggerd.outputs.web.time_span import span_of, span_query

_WIDTHS = (("day", DAY_MS), ("week", 7 * DAY_MS), ("month", 30 * DAY_MS), ("year", 365 * DAY_MS))
_SHORTEST_MS = 60_000
_MOST_CHANNELS = 60
_TIER_WORDS = {
    0: "the readings themselves",
    60: "the minutes' lowest, mean and highest",
    900: "the quarter-hours' lowest, mean and highest",
    14_400: "the lowest, mean and highest of four hours each",
}


@dataclass(frozen=True)
class Way:
    """A link to another stretch of time. `here`: it is the one that is shown."""

    name: str
    address: str
    here: bool = False


@dataclass(frozen=True)
class Wish:
    """What is asked for."""

    bank: str
    channels: tuple[str, ...]
    from_ms: int
    until_ms: int


def wish_of(ask: Ask) -> Wish:
    """Bank, channels and time of an address: the last day without any. Raises NotThere, CannotBeUsed."""
    bank = ask.bank()
    from_ms, until_ms = span_of(ask)
    if until_ms is None:
        until_ms = ask.clock.wall_ms() if from_ms is None else from_ms + DAY_MS
    if from_ms is None:
        from_ms = max(until_ms - DAY_MS, 0)
    if until_ms - from_ms < _SHORTEST_MS:
        raise CannotBeUsed("the time asked for is shorter than a minute")
    known = channels_of(ask.record, bank)
    return Wish(bank, _channels(ask.query.get("channels", ""), known), from_ms, until_ms)


def _channels(text: str, known: list[Channel]) -> tuple[str, ...]:
    asked = tuple(dict.fromkeys(one.strip() for one in text.split(",") if one.strip()))
    if not asked:
        return usual_channels(known)
    names = {one.name for one in known}
    unknown = next((one for one in asked if one not in names), None)
    if unknown is not None or len(asked) > _MOST_CHANNELS:
        named = ", ".join(sorted(names)) or "none"
        raise CannotBeUsed(f"there is no such channel, or there are too many; this bank has: {named}")
    return asked


def usual_channels(known: list[Channel]) -> tuple[str, ...]:
    """Bank voltage, current, temperatures, and the block voltages for the difference between them."""
    wanted = (Quantity.VOLTS, Quantity.AMPS, Quantity.CELSIUS)
    return tuple(
        one.name
        for one in known
        if one.quantity in wanted and one.name != "mean_amps" and not (one.number and one.quantity is Quantity.AMPS)
    )


def find_curve(ask: Ask, wish: Wish, most: int) -> Curve:
    return curve(ask.record, ask.site, wish.bank, wish.channels, wish.from_ms, wish.until_ms, most)


def _curves(ask: Ask) -> Response:
    wish = wish_of(ask)
    found = find_curve(ask, wish, CHART_POINTS)
    beside = happened(ask, wish.bank, wish.from_ms, wish.until_ms)
    span = span_query(wish.from_ms, wish.until_ms, ask.zone)
    return ask.page(
        "curves.html",
        bank=wish.bank,
        charts=curve_charts(ask, found, beside),
        signs=beside.signs,
        phases=bool(beside.phases),
        phases_days=PHASES_MS // DAY_MS,
        begins=ask.words.instant(wish.from_ms),
        ends=ask.words.instant(wish.until_ms),
        made_of=_TIER_WORDS[found.tier_seconds],
        widths=_widths(ask, wish),
        ways=_ways(ask, wish),
        channels=[(one.name, ask.words.subject(one.name)) for one in channels_of(ask.record, wish.bank)],
        from_day=ask.words.local(wish.from_ms).date().isoformat(),
        until_day=ask.words.local(wish.until_ms - 1).date().isoformat(),
        data=f"?{span}&channels={','.join(wish.channels)}",
    )


def _widths(ask: Ask, wish: Wish) -> list[Way]:
    """Day, week, month, year around the end of what is shown."""
    shown = wish.until_ms - wish.from_ms
    chosen = ask.query.get("channels", "")
    return [
        Way(
            name,
            "?" + span_query(max(wish.until_ms - width, 0), wish.until_ms, ask.zone, channels=chosen),
            abs(shown - width) < width // 10,
        )
        for name, width in _WIDTHS
    ]


def _ways(ask: Ask, wish: Wish) -> list[Way]:
    """Earlier and later by as much as is shown; later only as far as now."""
    shown = wish.until_ms - wish.from_ms
    chosen = ask.query.get("channels", "")
    ways = []
    if wish.from_ms - shown >= 0:
        ways.append(Way("earlier", "?" + span_query(wish.from_ms - shown, wish.from_ms, ask.zone, channels=chosen)))
    if wish.until_ms < ask.clock.wall_ms():
        ways.append(Way("later", "?" + span_query(wish.until_ms, wish.until_ms + shown, ask.zone, channels=chosen)))
    return ways


def _data(ask: Ask) -> Response:
    """The same as JSON, for the script that zooms."""
    wish = wish_of(ask)
    return ask.json(curve_values(find_curve(ask, wish, MOST_POINTS)))


ROUTES: tuple[Route, ...] = (
    Route("/bank/{bank}/curves", _curves, Need.READER),
    Route("/bank/{bank}/curves.json", _data, Need.READER),
)

"""What several endpoints share: instants as text, a page of rows, the parameters of time and page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from loggerd.outputs.ledger_json import InstantText, corrected_text
from loggerd.outputs.web.api.endpoint import Call, Parameter
from loggerd.outputs.web.api.kinds import Name, Time, Whole
from loggerd.outputs.web.asking import NotThere
from loggerd.store.record import PageWish

MOST_ROWS = 500
_USUAL_ROWS = 50
_LARGEST = 2**63 - 1

FROM = Parameter("from", Time(), "the first instant (ISO-8601; without an offset local time of the site)")
UNTIL = Parameter("until", Time(), "the instant that ends it, itself not included")
SPAN = (FROM, UNTIL)
LIMIT = Parameter("limit", Whole(1, MOST_ROWS), "at most so many rows", _USUAL_ROWS)
BEFORE = Parameter("before", Whole(0, _LARGEST), "the page of older rows: what the page before told as `before`")
PAGED = (*SPAN, LIMIT, BEFORE)

BANK = Parameter("bank", Name(), "only what is of this bank")

Row = TypeVar("Row")


def instants(call: Call) -> InstantText:
    """Instants as ISO-8601 UTC, with what the clock of their session was corrected by later."""
    return corrected_text(call.ask.axes)


def bank_asked_for(call: Call) -> str | None:
    """The bank that the parameter `bank` names. Raises NotThere."""
    name: str | None = call.values["bank"]
    if name is not None and name not in {one.name for one in call.ask.site.banks}:
        raise NotThere(f'there is no bank "{name}" at this site')
    return name


def wish_of(call: Call) -> PageWish:
    """One row more than is shown tells whether there is another page."""
    return PageWish(call.values["limit"] + 1, call.values["before"], *call.span)


def page_of(
    call: Call,
    name: str,
    found: Sequence[Row],
    id_of: Callable[[Row], int],
    values: Callable[[Row], dict[str, Any] | None],
) -> dict[str, Any]:
    """The rows under their name, and where the next page begins. A row whose values are None is not shown."""
    limit = call.values["limit"]
    shown = found[:limit]
    before = id_of(shown[-1]) if len(found) > limit else None
    told = [(one, values(one)) for one in shown]
    return {name: [{"id": id_of(one), **found} for one, found in told if found is not None], "before": before}

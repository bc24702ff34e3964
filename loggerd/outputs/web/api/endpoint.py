"""One entry of the interface's table: what it takes and gives. Route, checks and document follow from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, TypeAlias
from urllib.parse import parse_qsl

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.responses import JSONResponse, Response

from loggerd.model.access import Need
from loggerd.outputs.web.api.kinds import Kind, Schema
from loggerd.outputs.web.asking import Ask, CannotBeUsed, Route

BASE = "/api/v1"
_MOST_FIELDS = 50


class Body(BaseModel):
    """What is sent with a request: no unknown names, no guessing of types."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
    of_a_bank: ClassVar[bool] = False
    """Whether its field `bank` is the name of a bank of this site."""


@dataclass(frozen=True)
class Parameter:
    """One parameter behind the question mark. `words`: what it is for."""

    name: str
    kind: Kind
    words: str
    default: Any = None


@dataclass(frozen=True)
class Call:
    """A request whose parameters and body are checked."""

    ask: Ask
    bank: str
    values: Mapping[str, Any]
    body: Any = None

    @property
    def span(self) -> tuple[int | None, int | None]:
        """The time asked for, in epoch milliseconds."""
        return self.values.get("from"), self.values.get("until")


@dataclass(frozen=True)
class Reply:
    """A JSON value with another status than 200."""

    status: int
    value: Any


Answer: TypeAlias = Callable[[Call], Any]
"""Gives a JSON value, a Reply or a Response of its own. Raises as a Handler does."""


@dataclass(frozen=True)
class Endpoint:
    """One address. `path` with {bank} where it is of one bank. `gives`: by status, the schema of what is answered.
    `media`: of what is answered, where that is no JSON."""

    name: str
    path: str
    words: str
    answer: Answer
    gives: Mapping[int, Schema]
    need: Need = Need.READER
    method: str = "GET"
    parameters: tuple[Parameter, ...] = ()
    body: type[Body] | None = None
    media: str = "application/json"
    without_record: bool = False
    """It answers even while there is no record."""

    @property
    def of_bank(self) -> bool:
        return "{bank}" in self.path

    def route(self) -> Route:
        return Route(self.path, self._handle, self.need, self.method, program=True, without_record=self.without_record)

    def _handle(self, ask: Ask) -> Response:
        """Everything is checked before anything is looked up."""
        values = read_parameters(self.parameters, ask)
        body = None if self.body is None else read_body(self.body, ask)
        found = self.answer(Call(ask, ask.bank() if self.of_bank else "", values, body))
        if isinstance(found, Response):
            return found
        if isinstance(found, Reply):
            return JSONResponse(found.value, found.status)
        return JSONResponse(found)


def read_parameters(parameters: tuple[Parameter, ...], ask: Ask) -> dict[str, Any]:
    """The values by name, with defaults. Raises CannotBeUsed with all that is wrong."""
    known = {one.name: one for one in parameters}
    values = {one.name: one.default for one in parameters}
    faults = []
    try:
        pairs = parse_qsl(ask.url.partition("?")[2], keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        raise CannotBeUsed(f"there are more than {_MOST_FIELDS} parameters") from None
    seen = set()
    for name, text in pairs:
        if name not in known:
            faults.append(f"{_shown(name)}: there is no such parameter; expected {', '.join(known) or 'none'}")
        elif name in seen:
            faults.append(f"{name}: told twice")
        else:
            seen.add(name)
            try:
                values[name] = known[name].kind.read(text, ask.zone)
            except ValueError as error:
                faults.append(f"{name}: found {_shown(text)}; expected {error}")
    first, until = values.get("from"), values.get("until")
    if not faults and first is not None and until is not None and first >= until:
        faults.append("until: expected a time after from")
    if faults:
        raise CannotBeUsed("; ".join(faults))
    return values


def read_body(model: type[Body], ask: Ask) -> Body:
    """Raises CannotBeUsed with all that is wrong."""
    kind = ask.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise CannotBeUsed("the body: expected JSON, told by the header Content-Type: application/json")
    try:
        return model.model_validate_json(ask.body)
    except ValidationError as error:
        raise CannotBeUsed("; ".join(_body_faults(error))) from None


def _body_faults(error: ValidationError) -> list[str]:
    told = error.errors(include_url=False, include_context=False, include_input=False)
    return [f"{_shown('.'.join(str(part) for part in one['loc']) or 'the body')}: {one['msg']}" for one in told[:20]]


def _shown(text: str) -> str:
    """Text of a stranger, short and on one line."""
    short = text if len(text) <= 60 else f"{text[:60]}..."
    return repr(short) if not short.isprintable() or not short else f'"{short}"'

"""JSON Schemas of what the interface answers. Figures and findings come from the catalogues."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from loggerd.analysis.figures import FigureSpec
from loggerd.analysis.findings import FINDINGS
from loggerd.model.alarm import AlarmEvent, AlarmState, Priority, Visit
from loggerd.model.finding import Grade, Quality
from loggerd.outputs.web.api.kinds import Schema

TEXT: Schema = {"type": "string"}
YES_NO: Schema = {"type": "boolean"}
NUMBER: Schema = {"type": "number"}
COUNT: Schema = {"type": "integer", "minimum": 0}
AT: Schema = {"type": "string", "format": "date-time", "description": "ISO-8601, UTC"}
BAND: Schema = {
    "type": "array",
    "items": NUMBER,
    "minItems": 2,
    "maxItems": 2,
    "description": "[low, high]: the 95 % band",
}
FAULT: Schema = {"type": "object", "properties": {"fault": TEXT}, "required": ["fault"], "additionalProperties": False}


def told(schema: Schema, words: str) -> Schema:
    """The same, with words for people."""
    return {**schema, "description": words}


def maybe(schema: Schema) -> Schema:
    """That, or null where it is not known."""
    return {"anyOf": [schema, {"type": "null"}]}


def rows(schema: Schema) -> Schema:
    return {"type": "array", "items": schema}


def words_of(words: Iterable[str]) -> Schema:
    return {"type": "string", "enum": list(words)}


def table(must: Mapping[str, Schema], may: Mapping[str, Schema] | None = None, *, closed: bool = True) -> Schema:
    """An object. `must`: always there; `may`: sometimes. `closed`: nothing else is."""
    properties = {**must, **(may or {})}
    return {
        "type": "object",
        "properties": properties,
        "required": list(must),
        **({"additionalProperties": False} if closed else {}),
    }


def paged(name: str, row: Schema, more: Mapping[str, Schema] | None = None) -> Schema:
    """Rows of one page under a name, and where the next page begins."""
    before = told(maybe(COUNT), "to be given as `before` for the page of older rows; null at the end")
    return table({**(more or {}), name: rows(row), "before": before})


def figures(catalogue: Iterable[FigureSpec[Any]]) -> dict[str, Schema]:
    """Each figure: value, `_band` and `_reason`."""
    found: dict[str, Schema] = {}
    for one in catalogue:
        words = f"{one.explanation} Unit: {one.unit}." if one.unit else one.explanation
        found[one.name] = told(maybe(NUMBER), words)
        found[f"{one.name}_band"] = BAND
        found[f"{one.name}_reason"] = told(TEXT, "why it, or its band, cannot be told")
    return found


def ledger_entry(catalogue: Iterable[FigureSpec[Any]], more: Mapping[str, Schema] | None = None) -> Schema:
    """An entry of a ledger. Entries of earlier versions may have other figures as well."""
    ends = {"id": COUNT, **(more or {}), "start": AT, "end": AT, "complete": YES_NO}
    return table(ends, figures(catalogue), closed=False)


FINDING: Schema = table(
    {
        "name": words_of(one.name for one in FINDINGS),
        "subject": TEXT,
        "verdict": TEXT,
        "says": told(TEXT, "the finding in plain words"),
        "wrong": told(YES_NO, "whether it is something to see to"),
        "grade": words_of(one.value for one in Grade),
        "value": maybe(NUMBER),
        "unit": TEXT,
        "reason": told(TEXT, "why; of one that cannot be told, what is missing"),
        "at": AT,
        "since": maybe(AT),
        "quality": words_of(one.value for one in Quality),
        "quality_reason": TEXT,
        "evidence": rows(table({"start": AT, "end": AT})),
        "details": {"type": "object", "description": "further figures by name, with `_band` and `_reason`"},
    },
    {"id": COUNT, "value_band": BAND, "cause": TEXT, "do": TEXT, "caution": TEXT},
)
KEY: Schema = table({"bank": told(TEXT, "empty: the logger itself"), "condition": TEXT, "subject": TEXT})
FIGURE: Schema = table({"name": TEXT, "value": maybe(NUMBER), "band": maybe(BAND), "reason": TEXT})
ALARM: Schema = table(
    {
        "key": KEY,
        "title": told(TEXT, "the alarm in plain words"),
        "priority": maybe(words_of(one.value for one in Priority)),
        "visit": maybe(words_of(one.value for one in Visit)),
        "respond_hours": maybe(NUMBER),
        "state": words_of(one.value for one in AlarmState),
        "active": YES_NO,
        "pending": maybe(AT),
        "raised": maybe(AT),
        "cleared": maybe(AT),
        "since": maybe(AT),
        "acknowledged_by": TEXT,
        "shelved_until": maybe(AT),
        "one_shot": YES_NO,
        "root": told(maybe(KEY), "the alarm that it follows from"),
        "level": COUNT,
        "evidence": rows(FIGURE),
        "reason": TEXT,
        "follows": rows(KEY),
        "quiet": maybe(AT),
        "do": rows(TEXT),
    }
)
CHANGE: Schema = table(
    {
        "id": COUNT,
        "key": KEY,
        "at": AT,
        "event": words_of(one.value for one in AlarmEvent),
        "before": words_of(one.value for one in AlarmState),
        "after": words_of(one.value for one in AlarmState),
        "who": TEXT,
        "why": TEXT,
        "root": maybe(KEY),
        "evidence": rows(FIGURE),
    }
)
LOG_ROW: Schema = table(
    {
        "uid": TEXT,
        "bank": TEXT,
        "happened": AT,
        "taken_in": AT,
        "who": TEXT,
        "kind": TEXT,
        "text": TEXT,
        "corrects": maybe(TEXT),
        "corrected_by": maybe(TEXT),
        "data": {"type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}},
    },
    {"id": COUNT},
)

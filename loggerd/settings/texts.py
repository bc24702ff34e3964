"""The texts that come with loggerd, one file for each language, checked when they are read."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.document import Document, read_document
from loggerd.settings.shipped import shipped_path
from loggerd.wording.texts import Texts, faults_of

LANGUAGES = ("en", "de")
_TEXTS = TypeAdapter(Texts)


@cache
def load_texts(language: str) -> Texts:
    """The texts of a language. Raises SettingsError with all faults at once, and for a language that there is not."""
    try:
        path = shipped_path(f"texts/{language}.toml")
    except FileNotFoundError as error:
        fault = SettingsFault(str(error), "no such file", "the texts that come with loggerd; install it again")
        raise SettingsError([fault]) from None
    return read_texts(path)


def read_texts(path: Path) -> Texts:
    """The texts in one file. Raises SettingsError with all faults at once."""
    document = read_document(path)
    try:
        texts = _TEXTS.validate_json(json.dumps(document.raw, default=str), strict=True, extra="forbid")
    except ValidationError as error:
        faults = [_fault(document, detail["loc"], detail["msg"]) for detail in error.errors()]
        raise SettingsError(faults) from None
    faults = [_named(document, fault) for fault in faults_of(texts)]
    if faults:
        raise SettingsError(faults)
    return texts


def _fault(document: Document, location: tuple[int | str, ...], wanted: str) -> SettingsFault:
    where = f"{document.shown}, line {document.line(location)}, {'.'.join(map(str, location))}"
    return SettingsFault(where, "something else", wanted)


def _named(document: Document, fault: str) -> SettingsFault:
    """A fault told as "table.key: what is wrong", with the file before it."""
    where, _, what = fault.partition(": ")
    return SettingsFault(f"{document.shown}, {where}", what, "the same texts as in every other language")

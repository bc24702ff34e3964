"""What all tables of the settings have in common.

The description of each key is one sentence in a keeper's words. It is shown three times: as what was expected when
the key is wrong, as help in an editor through the JSON Schema, and in the commented example.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field


class Table(BaseModel):
    """One table of the file: frozen, no unknown keys, no guessing of types (the text "5" is not the number 5)."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _plain(text: str) -> str:
    if text != text.strip() or not text.isprintable():
        raise ValueError("text without line breaks, control characters or spaces at its ends")
    return text


PlainText = Annotated[str, AfterValidator(_plain)]
"""Text of one line that can be printed."""

Name = Annotated[PlainText, Field(min_length=1, max_length=60, pattern=r'^[^"\\/]*$')]
"""A name that others refer to."""

FilePath = Annotated[PlainText, Field(min_length=1, max_length=1000)]
"""A path as the keeper wrote it; `load_settings` makes it absolute."""

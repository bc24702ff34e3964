"""Templates to pages: one set of templates, filled for one reader."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from loggerd.outputs.web.carried import carried_files

if TYPE_CHECKING:
    from loggerd.outputs.web.asking import Ask

_TEMPLATES = Path(__file__).parent / "templates"
_STATIC = Path(__file__).parent / "static"


def in_path(text: object) -> str:
    """Text as one part of an address: nothing in a name can end it."""
    return quote(str(text), safe="")


class Rendering:
    """The templates. What is put into them is escaped; a name that they lack is a fault."""

    def __init__(self) -> None:
        self.static = carried_files(_STATIC)
        self._templates = Environment(
            loader=FileSystemLoader(_TEMPLATES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters["in_path"] = in_path
        self._templates.globals["static"] = self._address_of

    def page(self, template: str, ask: Ask, values: Mapping[str, Any]) -> str:
        """A whole page. Every template knows `ask`, `words` (the reader), `who`, `site` and `banks`.

        `spoken`: attribute of an element whose text is in the language of the reader, within a page in English.
        """
        known = {
            "ask": ask,
            "words": ask.words,
            "who": ask.who,
            "site": ask.site.site,
            "banks": ask.site.banks,
            "now_ms": ask.clock.wall_ms(),
            "spoken": "" if ask.words.texts.english else Markup(' lang="{}"').format(ask.words.texts.code),
        }
        return self._templates.get_template(template).render({**known, **values})

    def _address_of(self, name: str) -> str:
        """Where a carried file is. Raises KeyError."""
        return f"/static/{name}?{self.static[name].mark}"

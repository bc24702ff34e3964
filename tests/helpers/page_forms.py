"""What a keeper can do on a page: its forms, with what stands in them and the buttons they have."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class PageForm:
    """One form. `values`: what would be sent if nobody typed anything; `buttons`: (name, value, label)."""

    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)
    attributes: dict[str, dict[str, str]] = field(default_factory=dict)
    buttons: list[tuple[str, str, str]] = field(default_factory=list)

    def pressed(self, label: str) -> dict[str, str]:
        """What is sent when that button is pressed."""
        name, value = next((name, value) for name, value, words in self.buttons if words.startswith(label))
        return {**self.values, **({name: value} if name else {})}


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[PageForm] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.text: list[str] = []
        self._inside = False
        self._button = False
        self._select = ""
        self._area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.append((tag, given))
        if tag == "form":
            self.forms.append(PageForm(given.get("action", ""), given.get("method", "get")))
            self._inside = True
        elif self._inside:
            self._field(tag, given)

    def _field(self, tag: str, given: dict[str, str]) -> None:
        form, name = self.forms[-1], given.get("name", "")
        if tag == "input":
            form.values[name] = given.get("value", "")
        elif tag == "textarea":
            form.values[name], self._area = "", name
        elif tag == "select":
            form.values[name], self._select = "", name
        elif tag == "option" and "selected" in given:
            form.values[self._select] = given.get("value", "")
        elif tag == "button":
            form.buttons.append((name, given.get("value", ""), ""))
            self._button = True
        if tag in ("input", "select", "textarea"):
            form.attributes[name] = given

    def handle_data(self, data: str) -> None:
        self.text.append(data)
        if self._button:
            name, value, label = self.forms[-1].buttons[-1]
            self.forms[-1].buttons[-1] = (name, value, label + data)
        if self._area:
            self.forms[-1].values[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False
        elif tag == "button":
            self._button = False
        elif tag == "textarea":
            self._area = ""


def _read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader


def forms_of(html: str) -> list[PageForm]:
    """All forms of a page, in order."""
    return _read(html).forms


def text_of(html: str) -> str:
    """What is read on a page, on one line."""
    return " ".join("".join(_read(html).text).split())


def tags_of(html: str, name: str) -> list[dict[str, str]]:
    """The attributes of all elements of that name."""
    return [given for tag, given in _read(html).tags if tag == name]

"""What a mail says once: cautions, and details that are there in English only.

Reasons are sentences of the analysis, in English. A mail in English gives each where it belongs; one in another
language gives them all together at its end, under a heading that says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from loggerd.wording.filling import one_line
from loggerd.wording.layout import Element, Heading, Points
from loggerd.wording.reader import Reader


@dataclass
class Details:
    """Gathered while a mail is composed. `cautions`: those that it has said in full."""

    cautions: set[str] = field(default_factory=set)
    lines: list[str] = field(default_factory=list)

    def here(self, reader: Reader, about: str, english: str) -> str:
        """The sentence, to be said here; "" where there is none, or where it goes to the end of the mail.

        `about`: what it is about, in the keeper's language.
        """
        text = one_line(english)
        if text and not reader.texts.english:
            self.lines.append(f"{about}: {text}")
            return ""
        return text

    def at_the_end(self, reader: Reader) -> Iterator[Element]:
        """The last part of the mail, if anything goes there."""
        if self.lines:
            yield Heading(reader.word("details"))
            yield Points(tuple(dict.fromkeys(self.lines)))

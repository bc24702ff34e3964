"""Templates: {places} that are filled, and [parts] that are left out where a place in them has nothing to fill it."""

from __future__ import annotations

import re
from collections.abc import Mapping

_PLACE = re.compile(r"\{([a-z_0-9.]+)\}")
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")


def places(template: str) -> frozenset[str]:
    """The names of all places."""
    return frozenset(_PLACE.findall(template))


def fill(template: str, values: Mapping[str, str]) -> str:
    """The text, filled. Raises KeyError for a place outside of brackets that nothing fills.

    What is filled in is taken as it is: brackets and braces in it mean nothing.
    """
    parts = []
    end = 0
    for match in _OPTIONAL.finditer(template):
        parts.append(_filled(template[end : match.start()], values))
        if all(name in values for name in places(match[1])):
            parts.append(_filled(match[1], values))
        end = match.end()
    return "".join([*parts, _filled(template[end:], values)])


def capital(sentence: str) -> str:
    """The sentence with its first letter large."""
    return sentence[:1].upper() + sentence[1:]


def ended(sentence: str) -> str:
    """The sentence with a full stop, unless it has an end of its own."""
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."


def one_line(text: str) -> str:
    """Text from outside, without line breaks and other signs that a mail's head or an old telephone cannot bear."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _filled(part: str, values: Mapping[str, str]) -> str:
    return _PLACE.sub(lambda match: values[match[1]], part)

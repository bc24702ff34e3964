"""Does each input still read its own block? Every block differs from its peers in its own way, charging or not.

Where the last input of a string reads nothing, either its wire is off, or all wires sit one terminal too early: then
each input shows what its neighbour used to show.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

_LEAST_USUAL, _LEAST_NOW = 24.0, 8.0
_FOLLOW, _FOLLOW_NOW = 0.01, 0.02
_CLEAR = 0.5
"""Own choice, no source: the squares of what is left over are less than this share of those of the other reading."""


@dataclass
class Fingerprint:
    """Volts by block less the mean of all, by what the bank does: `usual` and `lately`, and of how many looks."""

    usual: dict[str, list[float]] = field(default_factory=dict)
    usual_looks: dict[str, float] = field(default_factory=dict)
    lately: dict[str, list[float]] = field(default_factory=dict)
    lately_looks: dict[str, float] = field(default_factory=dict)

    def learn(self, blocks: list[float], here: str) -> None:
        """Take a look in which every block reads as a block."""
        if self.lately:
            self.lately, self.lately_looks = {}, {}
        _follow(self.usual, self.usual_looks, blocks, here, _FOLLOW)

    def follow(self, blocks: list[float], here: str) -> None:
        """Take a look in which an input reads nothing."""
        _follow(self.lately, self.lately_looks, blocks, here, _FOLLOW_NOW)

    def moved(self, strings: list[int], per_string: int, last: bool) -> str:
        """ "shifted" where the inputs of these strings show what their neighbours did (those after them, if the `last`
        input reads nothing, else those before), "stayed" where they show what they did, "" where that cannot be told.
        """
        stay, shift = 0.0, 0.0
        step, inputs = (1, range(per_string - 1)) if last else (-1, range(1, per_string))
        for lately, usual in self._patterns():
            for string in strings:
                places = [string * per_string + one for one in inputs]
                stay += _squares([lately[one] - usual[one] for one in places])
                shift += _squares([lately[one] - usual[one + step] for one in places])
        if shift < _CLEAR * stay:
            return "shifted"
        return "stayed" if stay < _CLEAR * shift else ""

    def _patterns(self) -> list[tuple[list[float], list[float]]]:
        """Now and usually, by what the bank does; less those of one other state, since the errors of the inputs
        themselves stay where they are, whatever wire they are on."""
        ready = [
            state
            for state in ("rest", "discharge", "charge")
            if self.lately_looks.get(state, 0.0) >= _LEAST_NOW and self.usual_looks.get(state, 0.0) >= _LEAST_USUAL
        ]
        if len(ready) < 2:
            return []
        first, *others = ready
        return [
            (_less(self.lately[state], self.lately[first]), _less(self.usual[state], self.usual[first]))
            for state in others
        ]

    def to_plain(self) -> dict[str, Any]:
        return {
            "usual": {state: list(volts) for state, volts in self.usual.items()},
            "usual_looks": dict(self.usual_looks),
            "lately": {state: list(volts) for state, volts in self.lately.items()},
            "lately_looks": dict(self.lately_looks),
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> Fingerprint:
        lists = {name: {state: list(volts) for state, volts in plain[name].items()} for name in ("usual", "lately")}
        return Fingerprint(lists["usual"], dict(plain["usual_looks"]), lists["lately"], dict(plain["lately_looks"]))


def _follow(
    means: dict[str, list[float]], looks: dict[str, float], blocks: list[float], here: str, share: float
) -> None:
    middle = sum(blocks) / len(blocks)
    old = means.get(here)
    if old is None:
        means[here], looks[here] = [one - middle for one in blocks], 1.0
        return
    looks[here] = min(looks[here] + 1.0, 1.0 / share)
    part = 1.0 / looks[here]
    for place, one in enumerate(blocks):
        old[place] += part * (one - middle - old[place])


def _less(values: list[float], others: list[float]) -> list[float]:
    return [one - other for one, other in zip(values, others, strict=True)]


def _squares(values: list[float]) -> float:
    """Sum of the squares of what differs from their mean."""
    middle = sum(values) / len(values)
    return sum((one - middle) ** 2 for one in values)

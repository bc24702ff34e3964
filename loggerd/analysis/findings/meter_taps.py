"""Are the taps where they should be? Blocks against their peers and against the bank voltage.

Two whole channels of equal, healthy blocks that are exchanged cannot be seen: every reading is right but for its name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_HOUR, Facts, Look, Teller, Told
from loggerd.analysis.findings.meter_fingerprint import Fingerprint
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

_EVERY = 3
"""Every so many frames the taps are looked at; what follows counts such looks."""
_STREAK = 2 * FRAMES_PER_HOUR // _EVERY
_LEAST_BLOCKS = 3
_STATES = ("discharge", "rest", "charge")
_FADE = 0.95
_LEAST_FRAMES = 6.0
_BASE_LOOKS, _FOLLOW = 96, 0.002
"""The sum's own error is learned in so many looks at rest, and followed slowly: instruments drift a little."""
_JUMP_VOLTS, _JUMP_SHARE = 0.05, 0.0008
"""A sum that has left what it always was by more than this is off, though its stated error would allow more."""

_PLAIN = 2.0
_UNLIKE, _STILL_UNLIKE = 0.3, 0.6
"""Share of their size by which two mirrored taps may differ from each other and from state to state: to be named, and
while they are."""
_SETTLED_LOOKS = 3 * 96
"""A tap that is off by less than so many times the limit is named after three days: blocks that have not been charged
alike come nearer to each other in that time."""


def kind_of(share: float) -> str:
    """What a block's voltage is like, as a share of the median of its peers."""
    if abs(share) < 0.1:
        return "zero"
    if abs(share + 1) < 0.15:
        return "negative"
    if abs(share - 2) < 0.2:
        return "double"
    return "normal" if 0.75 < share < 1.25 else "odd"


@dataclass
class _State:
    """By block: `kinds` of the current streak, `streaks` its frames, `since` its first frame, `seen` what the bank did
    meanwhile; `departures` by state of
    the bank: fading means of the deviation from the median [V] by block, `weights` how many frames that is; `sums` by
    string: fading mean of sum less bank volts, `sum_frames` how many; `usual`: what that always was, from
    `usual_looks`."""

    kinds: list[str] = field(default_factory=list)
    streaks: list[int] = field(default_factory=list)
    since: list[int] = field(default_factory=list)
    seen: list[list[str]] = field(default_factory=list)
    departures: dict[str, list[float]] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    sums: list[float] = field(default_factory=list)
    sum_frames: float = 0.0
    usual: list[float] = field(default_factory=list)
    usual_looks: int = 0
    frames: int = 0
    sum_since: int | None = None


class Taps:
    """See the module. `value`: by how much the sum of the taps differs from the bank voltage [V]."""

    def __init__(self, ground: Ground) -> None:
        self._bank, self._layout = ground.bank, ground.layout
        blocks = self._bank.blocks
        self._names = ground.layout.names[ground.layout.block_volts]
        self._names_set = {"volts", *self._names}
        self._read = blocks >= _LEAST_BLOCKS and all(name in ground.channels for name in self._names)
        accuracy = [ground.accuracy.get(name, Accuracy()) for name in ("volts", *self._names)]
        gains = [0.002 if one.gain is None else one.gain for one in accuracy]
        self._gain, self._gain_of_blocks = gains[0], max(gains[1:], default=0.0)
        self._offset = accuracy[0].offset or 0.0
        self._teller = Teller("meter.taps", {})
        seen: list[list[str]] = [[] for _ in range(blocks)]
        self._prints = Fingerprint()
        self._state = _State(["normal"] * blocks, [0] * blocks, [0] * blocks, seen, sums=[0.0] * self._bank.strings)

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        if not self._read or look.frame.number % _EVERY or not self._names_set.isdisjoint(facts.bad):
            return []
        known, marks = look.ranked, look.frame.marks
        if len(known) < _LEAST_BLOCKS and not marks:
            return []
        blocks = look.means[self._layout.block_volts]
        self._state.frames += 1
        median = known[len(known) // 2] if known else 0.0
        here = self._state_of(look)
        self._order(look, blocks, median, here)
        marked = bool(marks) and any(mark is Mark.OUT_OF_RANGE for _, mark in marks)
        if len(known) == len(blocks) and not isnan(look.rate) and not marked:
            self._gather(look, blocks, known, here)
        told = self._by_kind(look) or self._mirrored(look, moment) or self._summed(moment, look) or self._right()
        return self._teller.tell(look, moment, told) if told else []

    def _order(self, look: Look, blocks: list[float], median: float, here: str) -> None:
        state, cells = self._state, self._bank.cells_per_block
        if median < 1.2 * cells:
            return
        kinds, streaks, seen, marks = state.kinds, state.streaks, state.seen, look.frame.marks
        for place, volts in enumerate(blocks):
            if not isnan(volts):
                share = volts / median
                kind = "normal" if 0.75 < share < 1.25 else kind_of(share)
                # A cell that stands alone in its block may be shorted, which is no fault of the tap.
                kind = "odd" if kind == "zero" and cells == 1 else kind
            elif marks and (self._names[place], Mark.OUT_OF_RANGE) in marks:
                kind = "beyond"
            else:
                continue
            if kind == kinds[place]:
                streaks[place] += 1
            else:
                kinds[place], streaks[place], state.since[place] = kind, 1, look.frame.number
                seen[place] = []
            if here not in seen[place]:
                seen[place].append(here)

    def _gather(self, look: Look, blocks: list[float], known: list[float], here: str) -> None:
        state, count = self._state, len(known)
        middle = count // 2
        median = known[middle] if count % 2 else 0.5 * (known[middle - 1] + known[middle])
        weight = state.weights.get(here, 0.0)
        means = state.departures.setdefault(here, [0.0] * len(blocks))
        share = max(1 - _FADE, 1 / (weight + 1))
        for place, volts in enumerate(blocks):
            means[place] += share * (volts - median - means[place])
        state.weights[here] = min(weight + 1, 1 / (1 - _FADE))
        if state.kinds.count("normal") == len(state.kinds):
            self._prints.learn(blocks, here)
        elif "zero" in state.kinds:
            self._prints.follow(blocks, here)
        whole = look.means[1]
        if not isnan(whole) and abs(look.rate) < 0.02:
            share = max(1 - _FADE, 1 / (state.sum_frames + 1))
            per_string = self._bank.blocks_per_string
            for string in range(self._bank.strings):
                summed = sum(blocks[string * per_string : (string + 1) * per_string])
                state.sums[string] += share * (summed - whole - state.sums[string])
            state.sum_frames = min(state.sum_frames + 1, 1 / (1 - _FADE))
            if state.sum_frames >= _STREAK:
                self._learn_sums(whole)

    def _learn_sums(self, whole: float) -> None:
        """What the sums differ by when all is as ever; not from sums that have jumped."""
        state = self._state
        if not state.usual:
            state.usual = list(state.sums)
        learning = state.usual_looks < _BASE_LOOKS
        if learning or self._jump() < 0.5 * _least_jump(whole):
            state.usual_looks = min(state.usual_looks + 1, _BASE_LOOKS)
            share = 1 / state.usual_looks if learning else _FOLLOW
            state.usual = [old + share * (new - old) for old, new in zip(state.usual, state.sums, strict=True)]

    def _jump(self) -> float:
        """How far a sum is from what it always was [V]; 0 until that is known."""
        state = self._state
        if state.usual_looks < _BASE_LOOKS:
            return 0.0
        return max(abs(new - old) for old, new in zip(state.usual, state.sums, strict=True))

    def _state_of(self, look: Look) -> str:
        """What the bank does, in all of the frame; a noisy current leaves that open."""
        near = 0.01 * self._bank.rated_amp_hours
        if look.rate < -0.03 and look.highs[0] <= near:
            return "discharge"
        if look.rate > 0.03 and look.lows[0] >= -near:
            return "charge"
        return "rest" if look.spread < 0.02 else "mixed"

    def _by_kind(self, look: Look) -> Told | None:
        state = self._state
        if _WORDS.keys().isdisjoint(state.kinds):
            return None
        wrong = {
            place + 1: state.kinds[place]
            for place in range(len(state.kinds))
            if state.streaks[place] >= _STREAK and state.kinds[place] in _WORDS
        }
        if len(wrong) == 1 and not self._alone(next(iter(wrong)), look):
            return None
        if not wrong or len(wrong) > max(3, len(state.kinds) // 2):
            return None
        since = min(state.since[block - 1] for block in wrong) * FRAME_MS
        listed = ", ".join(f"block {block} reads {_WORDS[kind]}" for block, kind in wrong.items())
        names = tuple(self._names[block - 1] for block in wrong)
        verdict, words = self._pattern(wrong)
        return Told(verdict, f"{listed}: {words}", names, since_ms=since)

    def _alone(self, block: int, look: Look) -> bool:
        """Whether a single block that reads wrong is one of the taps: whatever the current, and not in the bank's own
        voltage. An open cell reads wrong under load, an empty block lacks in the bank as well."""
        state = self._state
        kind = state.kinds[block - 1]
        if kind == "beyond" or len(state.seen[block - 1]) < 2:
            return False
        whole = look.means[1]
        if isnan(whole):
            return True
        first = (block - 1) // self._bank.blocks_per_string * self._bank.blocks_per_string
        summed = sum(look.means[self._layout.block_volts][first : first + self._bank.blocks_per_string])
        return abs(summed - whole) > 0.5 * self._bank.cells_per_block * 2.0

    def _pattern(self, wrong: dict[int, str]) -> tuple[str, str]:
        """Which mistake of wiring gives this."""
        per_string = self._bank.blocks_per_string
        for block, kind in wrong.items():
            before, after = wrong.get(block - 1), wrong.get(block + 1)
            first, last = (block - 1) % per_string == 0, block % per_string == 0
            if (
                kind == "negative"
                and (before == "double" or first)
                and (after == "double" or last)
                and (before or after)
            ):
                return "swapped", (
                    f"the tap wires on both sides of block {block} are exchanged; put them right, or read both"
                    " channels at"
                    " each other's place"
                )
            if kind == "double" and "zero" in {before, after}:
                other = block + 1 if after == "zero" else block - 1
                between = max(block, other)
                return "shifted", f"the tap between blocks {between - 1} and {between} sits one post too far"
        kinds = set(wrong.values())
        if kinds == {"negative"}:
            return "reversed", "its two wires are exchanged; put them right, or scale = -1 for this channel"
        if kinds == {"zero"}:
            if shifted := self._all_shifted(sorted(wrong)):
                return "shifted", shifted
            return "no_reading", "a tap is off or its fuse is blown, or the channels are read one place off (address)"
        return "swapped", "tap wires are at the wrong posts"

    def _all_shifted(self, wrong: list[int]) -> str:
        """Words for it, if all wires of these strings sit one terminal too early or too late; else none."""
        per_string = self._bank.blocks_per_string
        places = {(block - 1) % per_string for block in wrong}
        if places not in ({0}, {per_string - 1}) or per_string < _LEAST_BLOCKS:
            return ""
        last, strings = places != {0}, [(block - 1) // per_string for block in wrong]
        moved = self._prints.moved(strings, per_string, last)
        if moved == "shifted":
            why = "each of the other inputs shows what its neighbour showed before"
        elif not moved and (self._teller.verdict() == "shifted" or 1 < len(strings) == self._bank.strings):
            why = "wires of all strings are hardly off at the same time"
        else:
            return ""
        return (
            f"all tap wires sit one terminal too {'early' if last else 'late'}: {why};"
            f" the {'first' if last else 'last'}"
            " block of a string is not read"
        )

    def _mirrored(self, look: Look, moment: Moment) -> Told | None:
        state = self._state
        if look.frame.number % FRAMES_PER_HOUR or self._bank.blocks < 4:
            return None
        ready = self._states_of_taps()
        if len(ready) < 2:
            return None
        least = moment.limits["tap_mirror_volts"] * self._bank.cells_per_block
        for block in range(1, self._bank.blocks):
            if block % self._bank.blocks_per_string == 0:
                continue
            one, two = ([state.departures[name][block - 1 + step] for name in ready] for step in (0, 1))
            if _mirror(one, two, least) and self._charge_agrees(block):
                small = not _mirror(one, two, _PLAIN * least)
                if small and state.frames < _SETTLED_LOOKS:
                    continue
                phases = " and ".join(_WHILE[name] for name in ready)
                words = (
                    f"blocks {block} and {block + 1} differ from their peers by {one[0]:+.2f} V and {two[0]:+.2f} V,"
                    f" {phases} alike: the tap between them is at a wrong post or its wire is bad"
                )
                names = (self._names[block - 1], self._names[block])
                return Told("mirror", words, names, value=one[0])
        return None

    def _states_of_taps(self) -> list[str]:
        """States of the bank in which taps are compared: gas lifts each block by an amount of its own, so that a charge
        is asked only where one of the others is not known."""
        ready = [one for one in _STATES if self._state.weights.get(one, 0.0) >= _LEAST_FRAMES]
        return ready if len(ready) < len(_STATES) else [one for one in ready if one != "charge"]

    def _charge_agrees(self, block: int) -> bool:
        """Whether nothing that is known of charges speaks against a block and the next being mirrored: gas lifts
        one block more than another, but a block that is far lower on charge than at rest lacks charge."""
        weights, departures = self._state.weights, self._state.departures
        if min(weights.get(one, 0.0) for one in ("rest", "charge")) < _LEAST_FRAMES:
            return True
        rest, charge = (departures[name][block - 1 : block + 1] for name in ("rest", "charge"))
        least = _STILL_UNLIKE * 0.5 * (abs(rest[0]) + abs(rest[1]))
        kept = all(now > before - least for before, now in zip(rest, charge, strict=True))
        return kept and charge[0] * charge[1] < 0.0

    def _summed(self, moment: Moment, look: Look) -> Told | None:
        state, whole = self._state, look.means[1]
        if state.sum_frames < _STREAK or isnan(whole):
            return None
        sums = state.sums
        worst = max(range(len(sums)), key=lambda string: abs(sums[string])) if len(sums) > 1 else 0
        off, jump, least = sums[worst], self._jump(), _least_jump(whole)
        stated = self._gain * whole + self._gain_of_blocks * whole + self._offset
        limit = max(moment.limits["tap_sum_volts"], moment.limits["tap_sum_fraction"] * whole, 1.2 * stated)
        if abs(off) <= limit:
            if jump > least:
                return self._jumped(look)
            still = abs(off) > 0.8 * limit or jump > 0.5 * least
            if not still or self._teller.verdict() != "sum_off":
                state.sum_since = None
            return None
        state.sum_since = state.sum_since or look.at_ms
        words = (
            f"the blocks of string {worst + 1} add up to {off:+.2f} V more than the bank voltage at rest; allowed:"
            f" {limit:.2f} V. A scale is wrong, or a tap is missed"
        )
        return Told("sum_off", words, ("volts",), since_ms=state.sum_since, value=off)

    def _jumped(self, look: Look) -> Told:
        state = self._state
        state.sum_since = state.sum_since or look.at_ms
        string = max(range(len(state.sums)), key=lambda one: abs(state.sums[one] - state.usual[one]))
        words = (
            f"at rest the blocks of string {string + 1} add up to {state.sums[string]:+.2f} V more than the bank"
            f" voltage, and it was always {state.usual[string]:+.2f} V: a channel among them has moved by itself"
        )
        return Told("sum_off", words, ("volts",), since_ms=state.sum_since, value=state.sums[string])

    def _right(self) -> Told | None:
        state = self._state
        if self._teller.verdict() == "right":
            return None
        normal = all(
            kind in {"normal", "odd"} and streak >= _STREAK
            for kind, streak in zip(state.kinds, state.streaks, strict=True)
        )
        ready = sum(state.weights.get(one, 0.0) >= _LEAST_FRAMES for one in _STATES)
        if not normal or ready < 2 or (self._teller.verdict() == "mirror" and not self._apart()):
            return None
        value = state.sums[0] if state.sum_frames >= _STREAK else None
        if self._teller.verdict() == "sum_off" and state.sum_since is not None:
            return None
        return Told("right", "the blocks read alike, and add up to the bank voltage", self._names, value=value)

    def _apart(self) -> bool:
        """Whether no two neighbours are mirrored any more, by about half of what names them."""
        least = 0.012 * self._bank.cells_per_block
        per_string = self._bank.blocks_per_string
        pairs = [place for place in range(self._bank.blocks - 1) if (place + 1) % per_string]
        departures = [self._state.departures[name] for name in self._states_of_taps()]
        return not any(
            _mirror([one[place] for one in departures], [one[place + 1] for one in departures], least, _STILL_UNLIKE)
            for place in pairs
        )

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        state["seen"] = [list(one) for one in state["seen"]]
        for name in ("kinds", "streaks", "since", "sums", "usual"):
            state[name] = list(state[name])
        state["departures"] = {name: list(values) for name, values in state["departures"].items()}
        state["weights"] = dict(state["weights"])
        return {"said": dict(self._teller.said), "state": state, "prints": self._prints.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state = _State(**plain["state"])
        self._prints = Fingerprint.from_plain(plain["prints"])


_WHILE = {"discharge": "discharging", "rest": "at rest", "charge": "charging"}
_WORDS = {"zero": "nothing", "negative": "negative", "double": "double", "beyond": "what no block can have"}


def _least_jump(whole: float) -> float:
    return max(_JUMP_VOLTS, _JUMP_SHARE * whole)


def _mirror(one: list[float], two: list[float], least: float, unlike: float = _UNLIKE) -> bool:
    """Whether two deviations are large, opposite and the same in every state, but for this share of their size."""
    first, second = sum(one) / len(one), sum(two) / len(two)
    if min(abs(first), abs(second)) < least or first * second > 0:
        return False
    size = 0.5 * (abs(first) + abs(second))
    allowed = unlike * size
    return abs(first + second) <= allowed and max(one) - min(one) <= allowed and max(two) - min(two) <= allowed

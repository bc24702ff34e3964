"""Which channels of which banks are fed."""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from loggerd.settings.bank import BankSettings
from loggerd.settings.draft import Draft, DraftChannel
from loggerd.settings.faults import Fault, show
from loggerd.settings.key_lines import KeyPath


def check_banks_known(draft: Draft) -> Iterator[Fault]:
    """Every channel has a bank, and every bank that is named exists."""
    if not draft.bank_names:
        return  # no bank at all is a fault of its own
    for device in draft.devices:
        default = device.raw.get("bank")
        if isinstance(default, str) and default not in draft.bank_names:
            yield _unknown_bank((*device.path, "bank"), default, draft)
    for _, channel in draft.channels():
        if channel.bank is None:
            yield Fault((*channel.path, "bank"), "nothing, and no bank for the whole device", _known(draft))
        elif channel.settings.bank is not None and channel.bank not in draft.bank_names:
            yield _unknown_bank((*channel.path, "bank"), channel.bank, draft)


def _known(draft: Draft) -> str:
    return "the name of a bank of this file: " + ", ".join(f'"{name}"' for name in sorted(draft.bank_names))


def _unknown_bank(path: KeyPath, name: str, draft: Draft) -> Fault:
    near = difflib.get_close_matches(name, sorted(draft.bank_names), 1, 0.5)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    return Fault(path, show(name), _known(draft) + hint)


def check_positions(draft: Draft) -> Iterator[Fault]:
    """Numbers of strings and blocks are within the bank."""
    for _, channel in draft.channels():
        bank = draft.bank(channel.bank)
        if bank is not None:
            yield from _beyond(channel, bank)


def _beyond(channel: DraftChannel, bank: BankSettings) -> Iterator[Fault]:
    kind = channel.settings.channel.partition("_")[0]
    highest = {"string": bank.strings, "block": bank.blocks}.get(kind)
    if highest is not None and channel.settings.parsed.number > highest:
        size = f"{bank.strings} x {bank.blocks_per_string} blocks"
        yield Fault(
            (*channel.path, "channel"),
            show(channel.settings.channel),
            f'a {kind} number from 1 to {highest}: bank "{bank.name}" has {size} '
            "(channels of a map that a device does not have go into its leave_out)",
        )


def check_fed_once(draft: Draft) -> Iterator[Fault]:
    """No channel of a bank is fed from two places at once."""
    seen: dict[tuple[str, str], KeyPath] = {}
    for _, channel in draft.channels():
        if channel.bank is None:
            continue
        first = seen.setdefault((channel.bank, channel.settings.channel), channel.path)
        if first != channel.path:
            yield Fault(
                (*channel.path, "channel"),
                f'{show(channel.settings.channel)} of bank "{channel.bank}" for a second time',
                "one place for each channel of a bank",
                other=first,
            )

"""Checks of keys against each other: sets of settings that cannot be true at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from loggerd.settings.checks import banks, channels, corrections, delivery, feeds, limits, lines, places, site, web
from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault

CHECKS: tuple[Callable[[Draft], Iterator[Fault]], ...] = (
    site.check_token,
    delivery.check_secrets,
    delivery.check_security,
    delivery.check_keepers,
    delivery.check_heartbeat,
    web.check_certificate,
    web.check_links,
    web.check_listening,
    banks.check_names,
    banks.check_size,
    limits.check_limit_values,
    limits.check_limit_dates,
    lines.check_device_names,
    lines.check_times,
    lines.check_sharing,
    lines.check_line_formats,
    feeds.check_banks_known,
    feeds.check_positions,
    feeds.check_fed_once,
    places.check_place_keys,
    places.check_registers,
    places.check_read_once,
    channels.check_units,
    channels.check_signs,
    channels.check_ranges,
    corrections.check_dates,
    corrections.check_changes,
)


def cross_faults(draft: Draft) -> list[Fault]:
    """Every fault that the checks find."""
    return [fault for check in CHECKS for fault in check(draft)]

"""Settings and record to what the fold of a bank needs: its plan, its time axis, and a mark of what it depends on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from loggerd.analysis.axis import SessionAxis, SessionSpan, session_axes
from loggerd.analysis.entered_log import Entered, EnteredLog
from loggerd.analysis.limit_table import LimitTable, limit_table
from loggerd.analysis.plan import RULES_VERSION, BankPlan, Rules
from loggerd.model.bank import Accuracy, Bank, Series, SeriesScale
from loggerd.model.channels import Channel, Quantity, parse_channel
from loggerd.model.ledger import Instant
from loggerd.model.scan import ClockState
from loggerd.settings.bank import BankSettings
from loggerd.settings.bank_limits import limits_of_bank
from loggerd.settings.domain import banks, series_of_bank, usual_valid
from loggerd.settings.fingerprint import bank_settings_json
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Revision, Session, StoredSeries, TakenIn


@dataclass(frozen=True)
class SessionNote:
    """What is kept with a session of the record.

    `what`: "service", or the file that was read in; `interval_ms`: the usual time between scans of each device;
    `noise_amps`: of a file, the noise that its currents showed.
    """

    what: str
    interval_ms: dict[str, int]
    noise_amps: float | None = None

    def text(self) -> str:
        return json.dumps(vars(self), ensure_ascii=False)

    @staticmethod
    def read(text: str) -> SessionNote:
        """The inverse of text(); of any other text, a note without intervals."""
        try:
            return SessionNote(**json.loads(text))
        except (ValueError, TypeError):
            return SessionNote(text, {})


def service_note(settings: SiteSettings) -> str:
    """The note of a live session of these settings."""
    return SessionNote("service", {one.name: round(one.poll_seconds * 1000) for one in settings.devices}).text()


def bank_named(settings: SiteSettings, name: str) -> tuple[Bank, BankSettings]:
    """The bank of that name. Raises KeyError."""
    for bank, table in zip(banks(settings), settings.banks, strict=True):
        if bank.name == name:
            return bank, table
    raise KeyError(name)


def rules_of(table: BankSettings) -> Rules:
    """The rules of a bank: its own settings and limits. Raises SettingsError without the presets of its type."""
    limits = limits_of(table).stages[0]
    return Rules(
        dwell_ms=round(table.dwell_seconds * 1000),
        minimum_swing=table.minimum_swing,
        full_tail=limits["full_tail_current_fraction"],
        full_volts_per_cell=limits["full_volts_per_cell"],
    )


def limits_of(table: BankSettings) -> LimitTable:
    """The limits of a bank, dated: presets of its type and its own. Raises SettingsError without the presets."""
    return limit_table(
        (limit.name, stage.since_ms, stage.value) for limit in limits_of_bank(table) for stage in limit.stages
    )


def plan_of(
    settings: SiteSettings,
    name: str,
    stored: Sequence[StoredSeries],
    sessions: Sequence[Session],
    revisions: Sequence[Revision],
    log: Sequence[TakenIn] = (),
) -> BankPlan:
    """The plan of a bank over everything in the record: series in force, retired ones, imported files, its log book.

    A series that the settings no longer name keeps the scales of the latest revision that did.
    """
    bank, table = bank_named(settings, name)
    now = {one.key: one for one in series_of_bank(settings, name)}
    former = _former_series(revisions)
    notes = [SessionNote.read(session.note) for session in sessions if session.kind == "import"]
    noise = {device: note.noise_amps for note in notes for device in note.interval_ms}
    series: dict[int, Series] = {}
    for one in stored:
        if one.bank != name:
            continue
        key = (one.device, one.bank, one.channel.name, one.place, one.resolution)
        series[one.id] = now.get(key) or former.get(key) or _as_imported(one, noise.get(one.device), bank)
    return BankPlan(bank, series, rules_of(table), limits_of(table), EnteredLog(entered(log, axes_of(sessions))))


def _as_imported(stored: StoredSeries, noise_amps: float | None, bank: Bank) -> Series:
    """A series of an imported file: as written, with the noise that its readings showed."""
    scale = file_scale(stored.channel, stored.resolution, noise_amps, bank)
    return Series(stored.device, stored.bank, stored.channel, stored.place, stored.resolution, stored.unit, (scale,))


def file_scale(channel: Channel, resolution: float, noise_amps: float | None, bank: Bank) -> SeriesScale:
    """The scale of a column of a file: one count is `resolution` trade units; charge positive, nothing corrected."""
    noise = None
    if noise_amps is not None and channel.quantity is Quantity.AMPS:
        noise = min(noise_amps, bank.rated_amp_hours / 100)
    low, high = usual_valid(channel, bank)
    accuracy = Accuracy(noise=noise, resolution=resolution)
    return SeriesScale(None, round(resolution * 1000, 9), 0.0, (round(low * 1000), round(high * 1000)), accuracy)


def _former_series(revisions: Sequence[Revision]) -> dict[tuple[str, str, str, str, float], Series]:
    """Series as earlier revisions knew them, the latest telling."""
    found: dict[tuple[str, str, str, str, float], Series] = {}
    for revision in revisions:
        for row in json.loads(revision.settings_json)["series"]:
            one = Series(
                row["device"],
                revision.bank,
                parse_channel(row["channel"]),
                row["place"],
                row["resolution"],
                "",
                tuple(_scale(scale) for scale in row["scales"]),
            )
            found[one.key] = one
    return found


def _scale(row: Mapping[str, Any]) -> SeriesScale:
    accuracy = Accuracy(row["gain"], row["offset"], row["noise"], row["resolution"], row.get("range"))
    low, high = row["valid"]
    return SeriesScale(row["since_ms"], row["factor"], row["shift"], (low, high), accuracy)


def ledger_fingerprint(settings: SiteSettings, name: str, sessions: Sequence[Session]) -> tuple[str, str]:
    """(fingerprint, settings as JSON) of all that decides what the ledger of a bank says.

    Besides the settings these are the rules, the limits with their dates, and the imported files.
    """
    text = bank_settings_json(settings, name)
    table = bank_named(settings, name)[1]
    content = {
        "settings": text,
        "version": RULES_VERSION,
        "rules": vars(rules_of(table)),
        "limits": vars(limits_of(table)),
        "files": [session.id for session in sessions if session.kind == "import"],
    }
    whole = json.dumps(content, sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest(), text


def entered(log: Sequence[TakenIn], axes: Mapping[int, SessionAxis]) -> list[Entered]:
    """Entries of the log book with their place on the analysis axis."""
    found = []
    for taken in log:
        axis = axes[taken.session]
        at = Instant(taken.session, taken.mono_ms + axis.offset_ms)
        found.append(Entered(axis.order, replace(taken.entry, entered=at)))
    return found


def axes_of(sessions: Sequence[Session]) -> dict[int, SessionAxis]:
    """The analysis time axis of every session."""
    return session_axes([_span(session) for session in sessions])


def _span(session: Session) -> SessionSpan:
    offset = session.began_wall_ms - session.began_mono_ms
    start_mono = session.began_mono_ms
    if session.kind == "import":
        offset, start_mono = 0, session.first_wall_ms or session.began_mono_ms
    last_mono = session.last_mono_ms if session.last_mono_ms is not None else start_mono
    # A file's own times are its axis, also where single rows of it ran backward.
    last_offset = 0 if session.kind == "import" else session.last_wall_minus_mono_ms
    return SessionSpan(
        session.id,
        start_mono,
        offset,
        session.began_clock,
        last_mono,
        offset if last_offset is None else last_offset,
        session.last_clock if session.last_clock is not None else ClockState.NOT_SET,
        SessionNote.read(session.note).interval_ms,
        session.kind == "import",
    )

"""A digest as plain values for JSON."""

from __future__ import annotations

from typing import Any

from loggerd.model.ledger import Figure
from loggerd.outputs.findings_json import finding_values
from loggerd.outputs.ledger_json import utc_text
from loggerd.wording.digest import BankDigest, Digest
from loggerd.wording.digest_figures import CycleSummary


def digest_document(digest: Digest, site: str) -> dict[str, Any]:
    """Times are UTC; amp-hours in Ah, shares as fractions. A figure without a value says why, where that is known."""
    return {
        "site": site,
        "start": utc_text(digest.start_ms),
        "end": utc_text(digest.end_ms),
        "days": digest.days,
        "alarms": [
            {
                "bank": alarm.key.bank,
                "condition": alarm.key.condition,
                "subject": alarm.key.subject,
                "state": alarm.state.value,
                "since": utc_text(alarm.since.at_ms) if alarm.since else None,
            }
            for alarm in digest.standing
        ],
        "banks": [_bank(bank) for bank in digest.banks],
    }


def _bank(bank: BankDigest) -> dict[str, Any]:
    return {
        "bank": bank.name,
        "cycles": _cycles(bank.cycles),
        "days": [
            {
                "start": utc_text(day.start_ms),
                "out_amp_hours": day.out,
                "in_amp_hours": day.into,
                "full": day.full,
                "covered": day.covered,
            }
            for day in bank.days
        ],
        "findings": [finding_values(one) for one in bank.newest],
        "new_findings": [finding_values(one) for one in bank.changed],
    }


def _cycles(cycles: CycleSummary) -> dict[str, Any]:
    figures = {
        "discharge_amp_hours": cycles.out,
        "charge_amp_hours": cycles.into,
        "charge_factor": cycles.charge_factor,
        "watt_hour_efficiency": cycles.efficiency,
        "mean_depth": cycles.mean_depth,
        "deepest": cycles.deepest,
    }
    values: dict[str, Any] = {"count": cycles.count}
    for name, figure in figures.items():
        values.update(_figure(name, figure))
    return values


def _figure(name: str, figure: Figure) -> dict[str, Any]:
    values: dict[str, Any] = {name: figure.value}
    if figure.reason:
        values[f"{name}_reason"] = figure.reason
    if figure.low is not None and figure.high is not None:
        values[f"{name}_band"] = [figure.low, figure.high]
    return values

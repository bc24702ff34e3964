"""One contract for every entry of every catalogue."""

from __future__ import annotations

import json
import math

import pytest
from fold_tools import bank, plan, series

from loggerd.analysis.bands import Charge
from loggerd.analysis.depth_bands import DepthCount
from loggerd.analysis.figures import CYCLE_FIGURES, DEPTH_FIGURES, FULL_TO_FULL_FIGURES, PHASE_FIGURES, FigureSpec
from loggerd.analysis.figures.catalogue import Context, figures_of
from loggerd.analysis.part import Part, part_of_phase
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, LEFT_OUT, Spread, Stretch
from loggerd.model.channels import Quantity
from loggerd.model.ledger import Entry, Instant, LedgerName, MarkSpan
from loggerd.model.marks import Mark
from loggerd.outputs.ledger_json import entry_values, ledger_document
from loggerd.settings.connection import KINDS
from loggerd.wiring import SOURCES

LIMITS = Thresholds(120, 72, 100.0, 0.01, 5.0, "stated")
CONTEXT = Context(plan({"amps": series("amps")}, bank(200.0)), LIMITS, 0.01)
CATALOGUES: dict[LedgerName, tuple[FigureSpec, ...]] = {
    LedgerName.PHASES: PHASE_FIGURES,
    LedgerName.CYCLES: CYCLE_FIGURES,
    LedgerName.FULL_TO_FULL: FULL_TO_FULL_FIGURES,
    LedgerName.DEPTH_BANDS: DEPTH_FIGURES,
}
SPECS = [(ledger, spec) for ledger, catalogue in CATALOGUES.items() for spec in catalogue]
IDS = [f"{ledger.value} {spec.name}" for ledger, spec in SPECS]
UNITS = {"", "s", "Wh", *(quantity.value for quantity in Quantity)}


def _phase(label: int, *, bare: bool = False) -> Stretch:
    if bare:
        return Stretch(label, 1, 0, 1, 0)
    charge2 = label * 20 * CHARGE2_PER_AMP_HOUR
    phase = Stretch(label, 1, 0, 1, 7_200_000, readings=721, time2=14_400_000, charge2=charge2, energy2=50 * charge2)
    phase.tail_count, phase.tail_milliamps, phase.tail_millivolts, phase.tail_powered = 2, 20_000 * label, 100_000, 2
    phase.share_by_label()
    for name in ("amps", "volts", "ambient_celsius", LEFT_OUT):
        phase.spreads[name] = Spread(1_000, 50_000, 51_000, 2)
    return phase


def _cycle() -> Part:
    cycle = part_of_phase(_phase(-1), LIMITS)
    cycle.add(part_of_phase(_phase(1), LIMITS))
    return cycle


_COUNT = DepthCount(30.0, 1.0, (1, 0), (1, 5))
SUBJECTS: dict[LedgerName, list[object]] = {
    LedgerName.PHASES: [_phase(label, bare=bare) for label in (-1, 0, 1) for bare in (False, True)],
    LedgerName.CYCLES: [_cycle(), part_of_phase(_phase(-1), LIMITS), Part(), Part(charge_ah=Charge(5, 1, 0, 0, 0))],
    LedgerName.FULL_TO_FULL: [_cycle(), Part()],
    LedgerName.DEPTH_BANDS: [_COUNT, DepthCount(0.0, 0.5, (1, 0), (1, 0))],
}


def test_every_ledger_has_a_catalogue() -> None:
    assert set(CATALOGUES) == set(LedgerName)


@pytest.mark.parametrize("ledger", CATALOGUES)
def test_names_are_unique(ledger: LedgerName) -> None:
    names = [spec.name for spec in CATALOGUES[ledger]]
    assert len(set(names)) == len(names) > 0
    derived = {f"{name}_{what}" for name in names for what in ("band", "reason")}
    assert derived.isdisjoint(names)
    assert {"kind", "start", "end", "complete", "provisional"}.isdisjoint(names)


@pytest.mark.parametrize(("ledger", "spec"), SPECS, ids=IDS)
def test_an_entry_explains_itself(ledger: LedgerName, spec: FigureSpec) -> None:
    assert spec.name == spec.name.lower()
    assert spec.name.isidentifier()
    assert spec.unit in UNITS
    assert 0 <= spec.decimals <= 4
    assert spec.explanation.endswith(".")
    assert len(spec.explanation) > 10
    assert spec.source.strip()


@pytest.mark.parametrize(("ledger", "spec"), SPECS, ids=IDS)
def test_a_name_that_ends_in_a_unit_has_that_unit(ledger: LedgerName, spec: FigureSpec) -> None:
    endings = {
        "amp_hours": "Ah", "watt_hours": "Wh", "seconds": "s", "volts": "V", "amps": "A", "celsius": "°C",
    }  # fmt: skip
    for ending, unit in endings.items():
        if spec.name == ending or spec.name.endswith(f"_{ending}"):
            assert spec.unit == unit
            return
    assert spec.unit == ""


@pytest.mark.parametrize(("ledger", "spec"), SPECS, ids=IDS)
def test_a_figure_is_a_value_or_a_reason(ledger: LedgerName, spec: FigureSpec) -> None:
    for subject in SUBJECTS[ledger]:
        (figure,) = figures_of((spec,), subject, CONTEXT)
        assert figure.name == spec.name
        if figure.value is None:
            assert figure.reason.strip()
            assert figure.low is figure.high is None
            continue
        assert figure.reason == ""
        assert math.isfinite(figure.value)
        assert (figure.low is None) == (figure.high is None)
        if figure.low is not None and figure.high is not None:
            assert figure.low <= figure.value <= figure.high


@pytest.mark.parametrize(("ledger", "spec"), SPECS, ids=IDS)
def test_a_figure_of_an_ordinary_subject_has_a_value(ledger: LedgerName, spec: FigureSpec) -> None:
    (figure,) = figures_of((spec,), SUBJECTS[ledger][0], CONTEXT)
    assert figure.value is not None


def _entry(ledger: LedgerName, subject: object) -> Entry:
    figures = figures_of(CATALOGUES[ledger], subject, CONTEXT)
    kind = "provisional" if ledger is LedgerName.FULL_TO_FULL else "discharge"
    return Entry(ledger, kind, Instant(1, 0), Instant(1, 7_200_000), True, figures)


@pytest.mark.parametrize("ledger", CATALOGUES)
def test_entries_go_into_json_and_back(ledger: LedgerName) -> None:
    for subject in SUBJECTS[ledger]:
        values = entry_values(_entry(ledger, subject))
        assert json.loads(json.dumps(values, allow_nan=False)) == values
        for spec in CATALOGUES[ledger]:
            assert spec.name in values
            assert (values[spec.name] is None) == (f"{spec.name}_reason" in values)


def test_a_whole_ledger_goes_into_json() -> None:
    entries = [_entry(ledger, subjects[0]) for ledger, subjects in SUBJECTS.items()]
    marks = [MarkSpan("volts", int(mark), Instant(1, 0), Instant(1, 5), 3) for mark in Mark if mark]
    document = ledger_document("house", entries, marks)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert set(document) == {"bank", "phases", "cycles", "full_to_full", "depth_bands", "marks"}
    assert all(len(document[name]) == 1 for name in ("phases", "cycles", "full_to_full", "depth_bands"))
    assert document["phases"][0]["start"] == "1970-01-01T00:00:00.000Z"
    assert all(mark["marks"] for mark in document["marks"])


def test_every_kind_of_connection_but_files_has_a_source() -> None:
    kinds = {str(model.model_fields["kind"].annotation.__args__[0]) for model in KINDS.values()}
    assert set(SOURCES) == kinds - {"csv"}
    assert "csv" in kinds

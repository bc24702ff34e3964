"""Figures of phases, cycles and depths from subjects made by hand."""

from __future__ import annotations

import pytest
from fold_tools import bank, plan, series

from loggerd.analysis.bands import Charge
from loggerd.analysis.depth_bands import DepthCount
from loggerd.analysis.figures import CYCLE_FIGURES, DEPTH_FIGURES, PHASE_FIGURES
from loggerd.analysis.figures.catalogue import Context, FigureSpec, figures_of
from loggerd.analysis.part import Part, gap_part, part_from_plain, part_of_phase, part_to_plain
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import CHARGE2_PER_AMP_HOUR, LEFT_OUT, Spread, Stretch
from loggerd.model.ledger import Figure

HOUR = 3_600_000
LIMITS = Thresholds(120, 72, 100.0, 0.01, 0.0, "stated")
CONTEXT = Context(plan({"amps": series("amps")}, bank(200.0)), LIMITS, volts_gain=0.0)


def _of(catalogue: tuple[FigureSpec, ...], subject: object, context: Context = CONTEXT) -> dict[str, Figure]:
    return {figure.name: figure for figure in figures_of(catalogue, subject, context)}


def _phase(label: int, amps: float, hours: float = 2.0, volts: float = 48.0) -> Stretch:
    charge2 = round(amps * hours * CHARGE2_PER_AMP_HOUR)
    phase = Stretch(
        label,
        1,
        0,
        1,
        round(hours * HOUR),
        readings=721,
        time2=round(2 * hours * HOUR),
        charge2=charge2,
        energy2=round(charge2 * volts),
        tail_count=2,
        tail_milliamps=round(2000 * amps),
        tail_millivolts=round(2000 * volts),
        tail_powered=2,
    )
    phase.share_by_label()
    phase.spreads["amps"] = Spread(round(1000 * amps), round(1000 * amps), round(721_000 * amps), 721)
    phase.spreads["volts"] = Spread(47_000, 49_000, 721 * 48_000, 721)
    return phase


def test_a_discharge() -> None:
    """10 A for 2 h at 48 V: 20 Ah, 960 Wh; 1 % of 20 Ah and 0.1 A for 2 h make sqrt(0.2^2 + 0.2^2) Ah."""
    figures = _of(PHASE_FIGURES, _phase(-1, -10.0))
    assert figures["amp_hours"].value == 20.0
    assert figures["amp_hours"].low == pytest.approx(20.0 - 0.28284, abs=1e-4)
    assert figures["amp_hours"].high == pytest.approx(20.0 + 0.28284, abs=1e-4)
    assert figures["watt_hours"].value == 960.0
    assert figures["watt_hours"].high == pytest.approx(960.0 + 48 * 0.28284, abs=1e-2)
    assert (figures["minimum_volts"].value, figures["mean_volts"].value, figures["maximum_volts"].value) == (47, 48, 49)
    assert (figures["end_amps"].value, figures["end_volts"].value) == (-10.0, 48.0)
    assert (figures["duration_seconds"].value, figures["readings"].value) == (7200.0, 721.0)
    assert figures["readings_left_out"].value == 0
    assert figures["mean_celsius"] == Figure("mean_celsius", None, reason="no channel measured a temperature")


@pytest.mark.parametrize(("label", "amps"), [(1, 10.0), (0, 10.0), (0, -10.0), (-1, -10.0)])
def test_amp_hours_are_magnitudes(label: int, amps: float) -> None:
    figure = _of(PHASE_FIGURES, _phase(label, amps))["amp_hours"]
    assert figure.value == 20.0
    assert figure.low < 20.0 < figure.high


def test_a_rest_of_nothing_is_bounded_by_the_offset() -> None:
    figure = _of(PHASE_FIGURES, _phase(0, 0.0, hours=5.0))["amp_hours"]
    assert (figure.value, figure.low, figure.high) == (0.0, 0.0, 0.5)


def test_the_accuracy_of_the_voltage_widens_the_energy() -> None:
    """1 % of the current and 2 % of the voltage: hypot."""
    context = Context(CONTEXT.plan, Thresholds(120, 72, 0.0, 0.01, 0.0, ""), volts_gain=0.02)
    figure = _of(PHASE_FIGURES, _phase(-1, -10.0), context)["watt_hours"]
    assert figure.high - 960.0 == pytest.approx(960 * (0.01**2 + 0.02**2) ** 0.5)


def test_a_phase_without_a_voltage_says_so() -> None:
    phase = _phase(-1, -10.0)
    del phase.spreads["volts"]
    phase.tail_powered = 0
    figures = _of(PHASE_FIGURES, phase)
    for name in ("watt_hours", "minimum_volts", "maximum_volts", "mean_volts", "end_volts"):
        assert figures[name].value is None
        assert "volt" in figures[name].reason


def test_the_temperature_is_that_of_the_blocks_where_they_have_one() -> None:
    phase = _phase(-1, -10.0)
    phase.spreads["ambient_celsius"] = Spread(-5_000, -4_000, -9_000, 2)
    assert _of(PHASE_FIGURES, phase)["minimum_celsius"].value == -5.0
    phase.spreads["block_1_celsius"] = Spread(20_000, 21_000, 41_000, 2)
    phase.spreads["block_2_celsius"] = Spread(24_000, 30_000, 54_000, 2)
    figures = _of(PHASE_FIGURES, phase)
    found = [figures[f"{name}_celsius"].value for name in ("minimum", "mean", "maximum")]
    assert found == [20.0, 23.75, 30.0]


def _cycle(charge_amps: float = 11.0) -> Part:
    cycle = part_of_phase(_phase(-1, -10.0), LIMITS)
    cycle.add(part_of_phase(_phase(1, charge_amps, volts=54.0), LIMITS))
    return cycle


def test_a_cycle() -> None:
    """20 Ah out, 22 Ah in; an offset of 0.1 A over 2 h each way acts on the factor as 0.2/20 and 0.2/22 together."""
    figures = _of(CYCLE_FIGURES, _cycle())
    assert figures["charge_factor"].value == pytest.approx(1.1)
    half = 1.1 * 0.1 * (2 / 20 + 2 / 22)
    assert figures["charge_factor"].high - 1.1 == pytest.approx(half)
    assert figures["amp_hour_efficiency"].value == pytest.approx(1 / 1.1)
    # both phases show the same mean voltage in their readings, the energies are those of 48 and 54 V
    assert figures["watt_hour_efficiency"].value == pytest.approx(960 / 1188)
    assert figures["depth_of_discharge"].value == pytest.approx(0.1)
    assert figures["depth_of_discharge"].high == pytest.approx(figures["discharge_amp_hours"].high / 200)
    assert figures["end_of_charge_amps"].value == 11.0


def test_a_gap_between_the_phases_of_a_cycle_is_in_its_bands() -> None:
    """Half an hour between -10 A and 11 A that nobody saw: up to 5 Ah more out, or 5.5 Ah more in."""
    before, after = _phase(-1, -10.0), _phase(1, 11.0)
    after.start_ms, after.end_ms = before.end_ms + HOUR // 2, before.end_ms + 5 * HOUR // 2
    cycle = part_of_phase(before, LIMITS)
    cycle.add(gap_part(before, after, unknown=False))
    cycle.add(part_of_phase(after, LIMITS))
    figures, plain = _of(CYCLE_FIGURES, cycle), _of(CYCLE_FIGURES, _cycle())
    assert figures["discharge_amp_hours"].value == 20.0
    assert figures["discharge_amp_hours"].high == pytest.approx(plain["discharge_amp_hours"].high + 5.0)
    assert figures["charge_amp_hours"].high == pytest.approx(plain["charge_amp_hours"].high + 5.5)
    assert figures["gap_seconds"].value == 1800.0
    assert figures["charge_factor"].value is not None


@pytest.mark.parametrize("unknown", [False, True])
@pytest.mark.parametrize(("gap_ms", "long"), [(5, False), (HOUR, False), (HOUR + 1, True)])
def test_a_long_or_unknown_gap(gap_ms: int, unknown: bool, long: bool) -> None:
    before, after = _phase(-1, -10.0), _phase(1, 11.0)
    after.start_ms = before.end_ms + gap_ms
    cycle = _cycle()
    cycle.add(gap_part(before, after, unknown))
    assert (cycle.long_gap, cycle.unknown_gap) == (long, unknown)
    assert (_of(CYCLE_FIGURES, cycle)["charge_factor"].value is None) == (long or unknown)


def test_a_discharge_without_charge() -> None:
    figures = _of(CYCLE_FIGURES, part_of_phase(_phase(-1, -10.0), LIMITS))
    assert figures["charge_amp_hours"].value == 0.0
    assert figures["charge_factor"].reason == "no charge has answered this discharge yet"
    assert figures["end_of_charge_amps"].value is None


def test_what_was_left_out_of_the_sums_is_counted() -> None:
    cycle = _cycle()
    cycle.spreads[LEFT_OUT] = Spread(1, 1, 4, 4)
    assert _of(CYCLE_FIGURES, cycle)["readings_left_out"].value == 4


def test_a_part_survives_a_checkpoint() -> None:
    cycle = _cycle()
    assert part_from_plain(part_to_plain(cycle)) == cycle
    assert isinstance(part_from_plain(part_to_plain(cycle)).charge_ah, Charge)


def test_a_depth() -> None:
    figures = _of(DEPTH_FIGURES, DepthCount(50.0, 0.5, (1, 0), (1, HOUR)))
    assert (figures["depth"].value, figures["cycles"].value) == (0.25, 0.5)


def test_zero_has_no_sign() -> None:
    figure = _of(PHASE_FIGURES, _phase(0, -0.0))["end_amps"]
    assert str(figure.value) == "0.0"

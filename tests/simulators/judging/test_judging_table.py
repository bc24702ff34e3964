"""The tables of judging: intervals against published values and SciPy, names against seeds, bars that are missed."""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy import stats

from loggerd.analysis.findings import FINDINGS
from simulators.judging.__main__ import main
from simulators.judging.causes import NOTHING, RIGHT, TRUE_TOO, kind_of_answer
from simulators.judging.faults import CAUSES, draw_fault
from simulators.judging.intervals import poisson_interval, share_interval
from simulators.judging.judge import Outcome, Told
from simulators.judging.kept import judge_again, judge_and_keep, kept_in
from simulators.judging.stream import Case
from simulators.judging.table import false_findings, report, score


@pytest.mark.parametrize("count", [0, 1, 3, 10, 57])
def test_rate_intervals_are_exact(count: int) -> None:
    """Garwood (1936): half chi-square quantiles with 2n and 2n + 2 degrees of freedom."""
    low, high = poisson_interval(count, 2.0)
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 4.0, rel=1e-6)
    assert low == pytest.approx(stats.chi2.ppf(0.025, 2 * count) / 4.0 if count else 0.0, rel=1e-6)


@pytest.mark.parametrize(("count", "of"), [(0, 10), (7, 10), (10, 10), (171, 190)])
def test_share_intervals_are_exact(count: int, of: int) -> None:
    expected = stats.binomtest(count, of).proportion_ci(0.95, "exact")
    assert share_interval(count, of) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_no_exposure_is_refused() -> None:
    with pytest.raises(ValueError, match="exposure"):
        poisson_interval(0, 0.0)


def test_every_cause_has_right_names() -> None:
    assert set(RIGHT) == set(CAUSES)
    assert set(TRUE_TOO) <= set(CAUSES)
    for cause, names in RIGHT.items():
        assert kind_of_answer(cause, names[0]) == "right"
        assert not set(names) & set(TRUE_TOO.get(cause, ()))
    assert kind_of_answer("dry_out", NOTHING) == "nothing"
    assert kind_of_answer("dry_out", "shorted cell") == "wrong"


def test_words_of_the_catalogue_are_known_here() -> None:
    """A cause that findings can name and no seed stands for would always be called wrong."""
    known = {name for names in (*RIGHT.values(), *TRUE_TOO.values()) for name in names}
    named = {verdict.cause for spec in FINDINGS for verdict in spec.verdicts if verdict.cause}
    assert named <= known


def _outcome(cause: str, *told: Told, deepest: float = 0.8) -> Outcome:
    fault = draw_fault(cause, 2, "golf", 3, 70)
    return Outcome(Case("golf", 3, 120, fault=fault), list(told), list(told), deepest)


def _told(day: int, subject: str, cause: str, weight: int = 60) -> Told:
    return Told(day, "blocks.cause", subject, "word", cause, weight)


def test_a_score_tells_name_days_and_place() -> None:
    fault = _outcome("shorted_cell").case.fault
    assert fault is not None
    right = score(_outcome("shorted_cell", _told(72, fault.subject, "shorted cell")))
    assert (right.kind, right.days, right.placed) == ("right", 2, True)
    elsewhere = score(_outcome("shorted_cell", _told(90, f"block {fault.block % 6 + 1}", "shorted cell")))
    assert (elsewhere.kind, elsewhere.placed) == ("right", False)
    wrong = score(_outcome("shorted_cell", _told(90, "bank", "freezing")))
    assert (wrong.kind, wrong.days, wrong.placed) == ("wrong", None, None)
    assert score(_outcome("shorted_cell")).kind == "nothing"


def test_false_findings_are_counted_before_a_fault_and_in_healthy_banks() -> None:
    ill = _outcome("dry_out", _told(10, "bank", "overcharge"), _told(75, "bank", "dry-out"))
    well = Outcome(Case("golf", 4, 365), [_told(200, "block 2", "low capacity", 30)])
    told, years = false_findings([ill, well])
    assert [one.cause for one in told] == ["overcharge", "low capacity"]
    assert years == pytest.approx((70 + 365) / 365.25)


def test_a_report_says_which_bars_are_missed() -> None:
    text = report([_outcome("dry_out"), Outcome(Case("golf", 4, 365))])
    assert "MISSED: right cause first" in text
    assert "MISSED: at least 50 healthy bank-years" in text
    assert "MISSED: upper limit" in text
    good = [_outcome("dry_out", _told(80, "bank", "dry-out")) for _ in range(3)]
    assert "MISSED: right cause first" not in report(good)
    assert report([]) == "\n"


def test_two_true_names_count_when_both_are_told() -> None:
    short, layers = _told(83, "bank", "chronic undercharge"), _told(84, "bank", "stratification", 30)
    assert score(_outcome("stratification", short, layers)).kind == "both"
    assert score(_outcome("stratification", short)).kind == "true too"
    assert score(_outcome("stratification", layers, short)).kind == "right"
    assert score(_outcome("chronic_undercharge", layers, short)).kind == "wrong"
    text = report([_outcome("stratification", short, layers)])
    assert "all sites: right cause first in 0 of 1" in text and "either true name first: 1 of 1" in text
    assert "MISSED by this strictest count" in text and "MISSED: right cause first" not in text


def test_loss_of_capacity_in_shallow_use_is_counted_by_itself() -> None:
    """Below half of the depth a stretched curve is refused (method d of the notes: +-10 % above 50 % depth)."""
    silent = [_outcome("active_material_wear", deepest=0.3), _outcome("dry_out", deepest=0.3)]
    text = report(silent)
    assert "1 lost capacity and were never drawn below 50%, where the right answer is silence: nothing 1" in text
    assert "all that can show, either true name first: 0 of 1" in text and "MISSED: right cause first" in text
    assert "silence" not in report([_outcome("active_material_wear", deepest=0.6)])
    accused = _outcome("active_material_wear", _told(90, "bank", "thermal runaway"), deepest=0.3)
    assert "silence" not in report([accused]) and "MISSED: right cause first" in report([accused])


def test_cases_go_through_the_fold_of_the_service(tmp_path: Path) -> None:
    fault = draw_fault("set_point_high", 2, "golf", 6, 8)
    outcomes = judge_and_keep(tmp_path, [Case("golf", 6, 24, fault=fault), Case("golf", 6, 24)])
    assert [one.case.fault for one in outcomes] == [fault, None]
    assert any(told.cause == "charger set point high" for told in outcomes[0].told)
    assert not any(told.cause == "charger set point high" for told in outcomes[1].told)
    assert 0.2 < outcomes[0].deepest < 1.0 and outcomes[1].deepest == 0.0
    again = judge_again(kept_in(tmp_path))
    assert sorted(again, key=lambda one: one.case.fault is None) == outcomes


def test_folders_of_draws_are_not_mixed_up(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--again", str(tmp_path / "mistyped")]) == 2
    assert "no kept banks" in capsys.readouterr().err
    (tmp_path / "golf-healthy-7.npz").touch()
    assert main(["--keep", str(tmp_path)]) == 2
    assert "another draw" in capsys.readouterr().err

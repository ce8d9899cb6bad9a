"""The verdicts against the worked examples of JCGM 106:2012, ISO 14253-1:2017 and ILAC-G8:09/2019."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from calib.errors import GeometryError, PlanError
from vision.verdict import (
    DEFAULT_CONFIDENCE,
    Verdict,
    acceptance_limits_mm,
    confidence_to_accept,
    conformity_probability,
    decision_rule,
    guard_band_mm,
    judge,
    judge_count,
    limit_text,
    not_measured,
)

LENGTHS = st.floats(-1e4, 1e4, allow_nan=False)
# Zero or well above the rounding of the lengths.
UNCERTAINTIES = st.just(0.0) | st.floats(1e-3, 50.0, allow_nan=False)


def test_probability_upper_limit_agrees_with_jcgm_106_breakdown_voltage() -> None:
    # JCGM 106:2012, 7.2, example: limit -5.40 V, measured -5.47 V, u 0.05 V, printed 0.92.
    p = conformity_probability(-5.47, 0.05, upper=-5.40)
    assert p == pytest.approx(0.92, abs=0.005)
    assert p == pytest.approx(0.9192, abs=5e-5)


def test_probability_lower_limit_agrees_with_jcgm_106_container_strength() -> None:
    # JCGM 106:2012, 7.2, example: limit 490 kPa, measured 509.7 kPa, u 8.6 kPa, printed 0.99.
    p = conformity_probability(509.7, 8.6, lower=490.0)
    assert p == pytest.approx(0.99, abs=0.005)
    assert p == pytest.approx(0.9890, abs=5e-5)


def test_probability_two_limits_agrees_with_jcgm_106_oil_viscosity() -> None:
    # JCGM 106:2012, 7.4, example: 12.5 .. 16.3, measured 13.6, u 1.8, printed 0.66.
    p = conformity_probability(13.6, 1.8, lower=12.5, upper=16.3)
    assert p == pytest.approx(0.66, abs=0.005)
    assert p == pytest.approx(0.6626, abs=5e-5)


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_guard_band_of_probability_agrees_with_jcgm_106_table_1(p: float, z: float) -> None:
    # Printed to two decimals; 1.6449 is printed there as 1.64.
    assert guard_band_mm(1.0, p) == pytest.approx(z, abs=0.005)


@pytest.mark.parametrize(
    ("guard_in_expanded_u", "printed", "least"),
    # ILAC-G8:09/2019, Table 1, with U = 2 u, prints bounds of the risk, rounded up to one or two digits; the
    # normal tail itself must lie below the bound, and within one rounding of it (but for the "1 ppm" row).
    [(3.0, 1e-6, 0.0), (1.5, 0.0016, 0.0013), (1.0, 0.025, 0.0225), (0.83, 0.05, 0.045), (0.0, 0.5, 0.5)],
)
def test_risk_at_acceptance_limit_agrees_with_ilac_g8(
    guard_in_expanded_u: float, printed: float, least: float
) -> None:
    u = 0.7
    at_limit = 100.0 - guard_in_expanded_u * 2.0 * u
    assert least <= 1.0 - conformity_probability(at_limit, u, upper=100.0) <= printed


def test_default_guard_band_is_that_of_iso_14253_1() -> None:
    # ISO 14253-1:2017 as quoted: 1.65 u = 0.83 U with k = 2, not the full U.
    assert guard_band_mm(1.0) == pytest.approx(1.65, abs=0.006)
    assert guard_band_mm(1.0) / 2.0 == pytest.approx(0.83, abs=0.008)


@pytest.mark.parametrize(("value", "risk"), [(10.0, 0.01242), (10.5, 0.10574), (12.0, 0.99379)])
def test_specific_risk_counts_both_tails(value: float, risk: float) -> None:
    # suncal 1.7.1, test_cpk: N(value, 0.4) against [9, 11].
    assert 1.0 - conformity_probability(value, 0.4, lower=9.0, upper=11.0) == pytest.approx(risk, abs=5e-6)


def _global_risks(
    process: Any, limits: tuple[float, float], accepted: tuple[float, float], u: float
) -> tuple[float, float]:
    """Consumer's and producer's risk by midpoint integration over the process (JCGM 106, Eq. 17 and 19)."""
    edges = process.ppf(np.linspace(0.0, 1.0, 200_001)[1:-1])
    true = (edges[1:] + edges[:-1]) / 2.0
    weight = np.diff(process.cdf(edges))
    p_accept = stats.norm.cdf((accepted[1] - true) / u) - stats.norm.cdf((accepted[0] - true) / u)
    good = (true >= limits[0]) & (true <= limits[1])
    return float((weight * p_accept)[~good].sum()), float((weight * (1.0 - p_accept))[good].sum())


@pytest.mark.parametrize(
    ("guard_in_u", "consumer", "producer"),
    # JCGM 106:2012, 9.5.3: acceptance 1499.82 .. 1500.18 is 0.5 u inside; and without a guard band.
    [(0.5, 0.0099, 0.0690), (0.0, 0.0189, 0.0372)],
)
def test_acceptance_limits_give_jcgm_106_resistor_risks(
    guard_in_u: float, consumer: float, producer: float
) -> None:
    confidence = float(stats.norm.cdf(guard_in_u))
    accepted = acceptance_limits_mm(0.04, lower=1499.8, upper=1500.2, confidence=confidence)
    risks = _global_risks(stats.norm(1500.0, 0.12), (1499.8, 1500.2), accepted, 0.04)
    assert risks == pytest.approx((consumer, producer), abs=6e-5)


def test_acceptance_limits_give_jcgm_106_ball_bearing_risks() -> None:
    # JCGM 106:2012, 9.5.4: gamma(4, rate 4), limit 2, u 0.25; acceptance at 1.672 leaves a risk of 0.001.
    process = stats.gamma(4.0, scale=0.25)
    unguarded = acceptance_limits_mm(0.25, upper=2.0, confidence=0.5)
    assert _global_risks(process, (-math.inf, 2.0), unguarded, 0.25)[0] == pytest.approx(0.0080, abs=6e-5)
    confidence = float(stats.norm.cdf((2.0 - 1.672) / 0.25))
    guarded = acceptance_limits_mm(0.25, upper=2.0, confidence=confidence)
    assert guarded[1] == pytest.approx(1.672, abs=1e-9)
    assert _global_risks(process, (-math.inf, 2.0), guarded, 0.25)[0] == pytest.approx(0.001, abs=1e-5)


@pytest.mark.parametrize(
    ("confidence", "accept_from", "refuse_below"), [(0.95, 154.045, 150.755), (0.975, 154.360, 150.440)]
)
def test_lap_boundaries_lie_where_the_rule_puts_them(
    confidence: float, accept_from: float, refuse_below: float
) -> None:
    # Derived: 152.4 mm +- z u with u = 1 mm, z 1.6449 and 1.9600.
    low, high = acceptance_limits_mm(1.0, lower=152.4, confidence=confidence)
    assert low == pytest.approx(accept_from, abs=5e-4)
    assert high == math.inf
    guard = low - 152.4

    def verdict(value: float) -> Verdict:
        return judge(value, 1.0, lower=152.4, confidence=confidence).verdict

    assert verdict(152.4 + guard + 1e-9) is Verdict.MEETS
    assert verdict(152.4 + guard - 1e-9) is Verdict.CANNOT_TELL
    assert verdict(152.4 - guard + 1e-9) is Verdict.CANNOT_TELL
    assert verdict(152.4 - guard - 1e-9) is Verdict.DOES_NOT_MEET
    assert 152.4 - guard == pytest.approx(refuse_below, abs=5e-4)


def test_spacing_boundaries_are_guarded_on_both_limits() -> None:
    guard = guard_band_mm(0.5)

    def verdict(value: float) -> Verdict:
        return judge(value, 0.5, lower=292.1, upper=317.5).verdict

    assert verdict(317.5 - guard - 1e-9) is Verdict.MEETS
    assert verdict(317.5 - guard + 1e-9) is Verdict.CANNOT_TELL
    assert verdict(317.5 + guard - 1e-9) is Verdict.CANNOT_TELL
    assert verdict(317.5 + guard + 1e-9) is Verdict.DOES_NOT_MEET


def test_four_outcomes_of_ilac_g8_become_three() -> None:
    # ILAC-G8:09/2019, 4.2.3: pass, conditional pass, conditional fail, fail; the middle two are one here.
    guard = guard_band_mm(1.0)
    verdicts = [judge(10.0 + step * guard, 1.0, upper=10.0).verdict for step in (-1.5, -0.5, 0.5, 1.5)]
    assert verdicts == ["meets", "cannot tell", "cannot tell", "does not meet"]


def test_judgement_states_expanded_uncertainty_limit_and_reason() -> None:
    meets = judge(304.8, 0.4, lower=292.1, upper=317.5)
    assert (meets.measured_mm, meets.limit, meets.verdict) == (304.8, "292.1 .. 317.5 mm", "meets")
    assert meets.u95_mm == pytest.approx(1.96 * 0.4)
    assert "inside" in meets.why
    fails = judge(145.0, 0.6, lower=152.4)
    assert (fails.limit, fails.verdict) == (">= 152.4 mm", "does not meet")
    assert "outside" in fails.why
    unsure = judge(152.0, 0.6, lower=152.4)
    assert unsure.verdict is Verdict.CANNOT_TELL
    assert "shoot again" in unsure.why


def test_uncertainty_larger_than_the_tolerance_never_meets_and_says_so() -> None:
    judgement = judge(304.8, 20.0, lower=292.1, upper=317.5)
    assert judgement.verdict is Verdict.CANNOT_TELL
    assert "too large" in judgement.why


def test_exact_value_on_the_limit_meets() -> None:
    assert judge(152.4, 0.0, lower=152.4).verdict is Verdict.MEETS
    assert judge(152.3999, 0.0, lower=152.4).verdict is Verdict.DOES_NOT_MEET
    assert judge(152.4, 0.0, lower=152.4).p_conform == 1.0


@given(value=LENGTHS, u=UNCERTAINTIES, limit=LENGTHS, step=st.floats(0.0, 100.0))
def test_verdict_never_worsens_when_the_value_moves_away_from_the_limit(
    value: float, u: float, limit: float, step: float
) -> None:
    order = [Verdict.DOES_NOT_MEET, Verdict.CANNOT_TELL, Verdict.MEETS]
    near, far = judge(value, u, lower=limit), judge(value + step, u, lower=limit)
    assert order.index(far.verdict) >= order.index(near.verdict)
    assert near.p_conform is not None
    assert far.p_conform is not None
    assert far.p_conform >= near.p_conform - 1e-12


@given(value=LENGTHS, u=UNCERTAINTIES, more=UNCERTAINTIES, low=LENGTHS, room=st.floats(0.0, 1e3))
def test_more_uncertainty_never_makes_a_value_meet_or_fail(
    value: float, u: float, more: float, low: float, room: float
) -> None:
    sharp = judge(value, u, lower=low, upper=low + room).verdict
    dull = judge(value, u + more, lower=low, upper=low + room).verdict
    assert dull in (sharp, Verdict.CANNOT_TELL)


@given(value=LENGTHS, u=UNCERTAINTIES, low=LENGTHS, room=st.floats(0.0, 1e3))
def test_probability_is_one_and_agrees_with_the_mirrored_problem(
    value: float, u: float, low: float, room: float
) -> None:
    p = conformity_probability(value, u, lower=low, upper=low + room)
    assert 0.0 <= p <= 1.0
    assert conformity_probability(-value, u, lower=-low - room, upper=-low) == pytest.approx(p, abs=1e-12)


@given(value=LENGTHS, u=UNCERTAINTIES, low=LENGTHS, room=st.floats(0.0, 1e3))
def test_meets_always_leaves_at_most_five_percent_beyond_each_limit(
    value: float, u: float, low: float, room: float
) -> None:
    if judge(value, u, lower=low, upper=low + room).verdict is Verdict.MEETS:
        assert conformity_probability(value, u, lower=low) >= 0.95 - 1e-9
        assert conformity_probability(value, u, upper=low + room) >= 0.95 - 1e-9


@given(
    seen=st.integers(0, 40), required=st.integers(0, 40), doubtful=st.integers(0, 9), hidden=st.integers(0, 9)
)
def test_count_verdict_holds_for_every_truth_it_allows(
    seen: int, required: int, doubtful: int, hidden: int
) -> None:
    verdict = judge_count(seen, required=required, doubtful=doubtful, hidden=hidden).verdict
    truths = {true >= required for true in range(seen, seen + doubtful + hidden + 1)}
    expected = {frozenset({True}): Verdict.MEETS, frozenset({False}): Verdict.DOES_NOT_MEET}
    assert verdict is expected.get(frozenset(truths), Verdict.CANNOT_TELL)


def test_count_states_what_was_seen_and_wanted() -> None:
    judgement = judge_count(6, required=8)
    assert (judgement.count, judgement.limit, judgement.measured_mm) == (6, ">= 8 rivets", None)
    assert "at least 2 of 8 missing" in judgement.why


def test_not_measured_is_cannot_tell_with_the_reason() -> None:
    judgement = not_measured("no lap edge in this photo", lower=152.4)
    assert (judgement.verdict, judgement.limit, judgement.p_conform) == ("cannot tell", ">= 152.4 mm", None)
    assert not_measured("no lap edge in this photo", required=8).limit == ">= 8 rivets"


@pytest.mark.parametrize(
    ("lower", "upper", "text"),
    [
        (292.1, 317.5, "292.1 .. 317.5 mm"),
        (152.4, None, ">= 152.4 mm"),
        (None, 12.0, "<= 12.0 mm"),
        (1.5875, None, ">= 1.59 mm"),
    ],
)
def test_limit_text_reads_as_the_contract_shows_it(
    lower: float | None, upper: float | None, text: str
) -> None:
    assert limit_text(lower, upper) == text


def test_decision_rule_names_its_standards_and_factor() -> None:
    assert "ISO 14253-1:2017" in decision_rule()
    assert "1.645 u" in decision_rule()
    assert "1.96 u" in decision_rule()


def test_missing_limits_are_refused() -> None:
    with pytest.raises(PlanError, match="needs a lower limit"):
        judge(1.0, 0.1)


def test_crossed_limits_are_refused() -> None:
    with pytest.raises(PlanError, match="above the upper limit"):
        judge(1.0, 0.1, lower=3.0, upper=2.0)


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (1.0, math.nan), (1.0, -0.1), (math.inf, 1.0)])
def test_unusable_numbers_are_refused(value: float, u: float) -> None:
    with pytest.raises(GeometryError, match="both must be numbers"):
        judge(value, u, lower=1.0)


@pytest.mark.parametrize("confidence", [0.49, 1.0, math.nan])
def test_confidence_that_accepts_outside_the_limits_is_refused(confidence: float) -> None:
    with pytest.raises(PlanError, match="confidence of the decision rule"):
        judge(1.0, 0.1, lower=0.0, confidence=confidence)


def test_negative_counts_are_refused() -> None:
    with pytest.raises(PlanError, match="cannot be negative"):
        judge_count(-1, required=8)


@pytest.mark.parametrize("u_mm", [0.0, 0.2, 0.5, 0.69])
def test_small_uncertainty_leaves_the_published_rule_as_it_is(u_mm: float) -> None:
    # z of 0.999 is 3.0902, of 0.95 1.6449: 3.0902 - 1 / u is more than that from u = 0.692 mm on.
    assert confidence_to_accept(u_mm) == pytest.approx(DEFAULT_CONFIDENCE, abs=1e-9)


@pytest.mark.parametrize("u_mm", [0.3, 0.7, 1.0, 2.5, 6.0])
def test_what_lies_a_millimetre_past_a_limit_is_accepted_once_in_a_thousand_at_most(u_mm: float) -> None:
    low, _ = acceptance_limits_mm(u_mm, lower=152.4, confidence=confidence_to_accept(u_mm))
    # Measured value normal about the true one, 151.4 mm: scipy.stats.norm, independent of ours.
    assert stats.norm.sf(low, loc=151.4, scale=u_mm) <= 0.001 * (1.0 + 1e-9)


def test_surer_acceptance_leaves_refusal_as_it_is() -> None:
    for value, verdict in ((155.2, "cannot tell"), (156.2, "meets"), (149.0, "does not meet")):
        judged = judge(value, 1.5, lower=152.4, to_accept=confidence_to_accept(1.5))
        assert judged.verdict == verdict
    # 152.4 + 1.6449 x 1.5 = 154.87: by the default alone 155.2 meets.
    assert judge(155.2, 1.5, lower=152.4).verdict == "meets"

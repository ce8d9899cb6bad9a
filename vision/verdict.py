"""Measured value, uncertainty and limit -> a verdict in plain words.

The decision rule is that of ISO 14253-1:2017 with the terms of JCGM 106:2012: "meets" needs the stated
probability of conformity on each limit, "does not meet" the same against it, all else is "cannot tell".
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import ndtr, ndtri

from calib.errors import GeometryError, PlanError
from calib.uncertainty import COVERAGE_FACTOR_95

# Probability of conformity wanted on each limit: the default of ISO 14253-1:2017, 1.65 u inside the limit.
DEFAULT_CONFIDENCE = 0.95
# Where the uncertainty is large, a twentieth is a risk of something grossly wrong: what lies this far past a
# limit shall not be accepted more often than this. Ours; no source.
GROSS_MM, GROSS_RISK = 1.0, 0.001


class Verdict(StrEnum):
    """The three answers a rule can get."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Judgement:
    """One rule's verdict with the numbers it rests on.

    Attributes
    ----------
    measured_mm : float or None
        Measured value; None where nothing was measured, or where things were counted.
    u95_mm : float or None
        Expanded uncertainty, 1.96 u.
    count : int or None
        What was counted, for a rule on a number.
    limit : str
        The limits, readable.
    p_conform : float or None
        Probability that the true value lies within all limits; None where nothing was measured.
    verdict : Verdict
        The answer.
    why : str
        One sentence.
    """

    measured_mm: float | None
    u95_mm: float | None
    count: int | None
    limit: str
    p_conform: float | None
    verdict: Verdict
    why: str


def judge(
    value_mm: float,
    u_mm: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
    to_accept: float | None = None,
) -> Judgement:
    """Hold a measured length against one or two limits.

    Parameters
    ----------
    value_mm, u_mm : float
        Measured value and its standard uncertainty.
    lower, upper : float, optional
        Limits, mm; at least one. A value on a limit conforms.
    confidence : float
        Probability of conformity that "meets" needs on each limit, 0.5 <= confidence < 1; and against it that
        "does not meet" needs.
    to_accept : float, optional
        What "meets" needs instead, if it is more; see `confidence_to_accept`.

    Returns
    -------
    Judgement
        The verdict; ``u95_mm`` is 1.96 ``u_mm``.

    Raises
    ------
    GeometryError
        If the value or its uncertainty is not a usable number.
    PlanError
        If there is no limit, or the lower one is above the upper one.

    References
    ----------
    JCGM 106:2012, 7 (probability of conformity) and 8.3.2 (guarded acceptance); ISO 14253-1:2017, 5.
    """
    if not (math.isfinite(value_mm) and math.isfinite(u_mm) and u_mm >= 0.0):
        msg = f"cannot judge {value_mm} mm with u = {u_mm} mm: both must be numbers and u at least 0"
        raise GeometryError(msg)
    text = limit_text(lower, upper)
    sure = confidence if to_accept is None else max(confidence, to_accept)
    low, high = acceptance_limits_mm(u_mm, lower=lower, upper=upper, confidence=sure)
    guard_mm = guard_band_mm(u_mm, confidence)
    p = conformity_probability(value_mm, u_mm, lower=lower, upper=upper)
    if low <= value_mm <= high:
        verdict = Verdict.MEETS
    elif value_mm < _or_infinity(lower, -1) - guard_mm or value_mm > _or_infinity(upper, 1) + guard_mm:
        verdict = Verdict.DOES_NOT_MEET
    else:
        verdict = Verdict.CANNOT_TELL
    band_mm = guard_mm if verdict is Verdict.DOES_NOT_MEET else guard_band_mm(u_mm, sure)
    why = _why(verdict, value_mm, u_mm, band_mm, text, p, _room(lower, upper))
    return Judgement(value_mm, COVERAGE_FACTOR_95 * u_mm, None, text, p, verdict, why)


def judge_count(
    seen: int, *, required: int, doubtful: int = 0, hidden: int = 0, what: str = "rivets"
) -> Judgement:
    """Hold a number of rivets, or of something else, against the least number wanted.

    Parameters
    ----------
    seen : int
        How many were seen beyond doubt.
    required : int
        Least number wanted.
    doubtful : int
        Further findings that may or may not be what is counted.
    hidden : int
        Places that the photo does not show, or that something covers, where one more may be.
    what : str
        What is counted.

    Returns
    -------
    Judgement
        "meets" when the certain ones suffice, "does not meet" when even all the possible ones do not.

    Raises
    ------
    PlanError
        If a number is negative.
    """
    if min(seen, required, doubtful, hidden) < 0:
        numbers = f"seen {seen}, wanted {required}, doubtful {doubtful}, hidden {hidden}"
        msg = f"counts of {what} cannot be negative: {numbers}"
        raise PlanError(msg)
    limit = f">= {required} {what}"
    most = seen + doubtful + hidden
    if seen >= required:
        verdict, p, why = Verdict.MEETS, 1.0, f"{seen} {what} seen, {required} wanted"
    elif most < required:
        missing = required - most
        verdict, p, why = (
            Verdict.DOES_NOT_MEET,
            0.0,
            f"{seen} {what} seen, at least {missing} of {required} missing",
        )
    else:
        verdict, p = Verdict.CANNOT_TELL, None
        why = (
            f"{seen} {what} seen, {doubtful} doubtful and {hidden} possibly hidden, {required} wanted; "
            f"{_SHOOT_AGAIN}"
        )
    return Judgement(None, None, seen, limit, p, verdict, why)


def not_measured(
    reason: str, *, lower: float | None = None, upper: float | None = None, required: int | None = None
) -> Judgement:
    """Return "cannot tell" for a rule that nothing was measured for.

    Parameters
    ----------
    reason : str
        Why not, and what to do about it.
    lower, upper : float, optional
        The rule's limits, mm.
    required : int, optional
        The least number wanted, for a rule on a number.

    Returns
    -------
    Judgement
        Without numbers.
    """
    limit = limit_text(lower, upper) if required is None else f">= {required} rivets"
    return Judgement(None, None, None, limit, None, Verdict.CANNOT_TELL, reason)


def conformity_probability(
    value_mm: float, u_mm: float, *, lower: float | None = None, upper: float | None = None
) -> float:
    """Return the probability that the true value lies within the limits.

    Parameters
    ----------
    value_mm, u_mm : float
        Measured value and its standard uncertainty; the true value is taken as normal around it.
    lower, upper : float, optional
        Limits, mm.

    Returns
    -------
    float
        Between 0 and 1; both tails are counted.

    References
    ----------
    JCGM 106:2012, 7.2 (one limit) and 7.4 (two limits), Eq. (7).
    """
    low, high = _or_infinity(lower, -1), _or_infinity(upper, 1)
    if u_mm == 0.0:
        return float(low <= value_mm <= high)
    # Both limits seen from the nearer tail, so that a small probability keeps its digits.
    from_low, from_high = (low - value_mm) / u_mm, (high - value_mm) / u_mm
    if from_low > 0.0:
        from_low, from_high = -from_high, -from_low
    return float(ndtr(from_high) - ndtr(from_low))


def confidence_to_accept(u_mm: float) -> float:
    """Return the probability of conformity that "meets" needs with an uncertainty.

    The default, and with an uncertainty of about 0.7 mm or more so much that a value 1 mm past a limit is not
    accepted more often than once in a thousand.
    """
    if u_mm == 0.0:
        return DEFAULT_CONFIDENCE
    return max(DEFAULT_CONFIDENCE, float(ndtr(float(ndtri(1.0 - GROSS_RISK)) - GROSS_MM / u_mm)))


def guard_band_mm(u_mm: float, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """Return how far inside a limit a value must lie: the normal quantile of the confidence, times u.

    Raises
    ------
    PlanError
        If the confidence is below one half (acceptance outside the limits) or not below one.
    """
    if not 0.5 <= confidence < 1.0:
        msg = f"the confidence of the decision rule must be at least 0.5 and below 1, got {confidence}"
        raise PlanError(msg)
    return float(ndtri(confidence)) * u_mm


def acceptance_limits_mm(
    u_mm: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> tuple[float, float]:
    """Return the least and the greatest measured value that "meets"; infinite where there is no limit.

    Where the uncertainty leaves no room between two limits, the least is above the greatest.
    """
    guard_mm = guard_band_mm(u_mm, confidence)
    return _or_infinity(lower, -1) + guard_mm, _or_infinity(upper, 1) - guard_mm


def decision_rule(confidence: float = DEFAULT_CONFIDENCE) -> str:
    """Name the decision rule in force, for reports."""
    guard = guard_band_mm(1.0, confidence)
    return (
        f"meets: at least {100 * confidence:g} % probability of conformity on each limit (guard band "
        f"{guard:.3f} u), and at most {GROSS_RISK:.1%} risk that what lies {GROSS_MM:g} mm past it is "
        "accepted; "
        "does not meet: outside a limit by that guard band; else cannot tell. "
        "After ISO 14253-1:2017 and JCGM 106:2012; U = 1.96 u (95 %)."
    )


def limit_text(lower: float | None, upper: float | None) -> str:
    """Return limits in millimetres as text, such as ``292.1 .. 317.5 mm``.

    Raises
    ------
    PlanError
        If there is no limit, or the lower one is above the upper one.
    """
    if lower is not None and upper is not None:
        if lower > upper:
            msg = f"the lower limit ({lower:g} mm) is above the upper limit ({upper:g} mm); check the plan"
            raise PlanError(msg)
        return f"{_number_text(lower)} .. {_number_text(upper)} mm"
    if lower is not None:
        return f">= {_number_text(lower)} mm"
    if upper is not None:
        return f"<= {_number_text(upper)} mm"
    msg = "a rule needs a lower limit, an upper limit or both"
    raise PlanError(msg)


_SHOOT_AGAIN = "shoot again, closer, squarer and with nothing in the way"


def _why(
    verdict: Verdict, value_mm: float, u_mm: float, guard_mm: float, limit: str, p: float, room_mm: float
) -> str:
    measured = f"{value_mm:.1f} mm (U {COVERAGE_FACTOR_95 * u_mm:.1f} mm) against {limit}"
    if verdict is Verdict.MEETS:
        return f"{measured}: inside by at least the guard band of {guard_mm:.2f} mm"
    if verdict is Verdict.DOES_NOT_MEET:
        return f"{measured}: outside by more than the guard band of {guard_mm:.2f} mm"
    if room_mm < 2.0 * guard_mm:
        return f"{measured}: the uncertainty is too large for limits {room_mm:.1f} mm apart; {_SHOOT_AGAIN}"
    return (
        f"{measured}: within the guard band of {guard_mm:.2f} mm at a limit ({p:.0%} likely inside); "
        f"{_SHOOT_AGAIN}"
    )


def _room(lower: float | None, upper: float | None) -> float:
    return _or_infinity(upper, 1) - _or_infinity(lower, -1)


def _or_infinity(limit: float | None, sign: int) -> float:
    return sign * math.inf if limit is None else limit


def _number_text(value_mm: float) -> str:
    """Print to 0.01 mm, with one digit after the point at least."""
    text = f"{value_mm:.2f}"
    return text.removesuffix("0")

"""The uncertainty budget as a bar chart: each source's part of the squared standard uncertainty."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib.lengths import format_metric
from webui.shown import share


@dataclass(frozen=True, slots=True)
class BudgetBar:
    """One source of doubt.

    Attributes
    ----------
    source, u, share : str
        Its name, its standard uncertainty and its part of the square, as they are said.
    width : float
        Its part of the square, 0 to 1.
    """

    source: str
    u: str
    share: str
    width: float


def budget_chart(budget: Sequence[Mapping[str, Any]]) -> list[BudgetBar]:
    """Return the bars of an uncertainty budget, in its order.

    Notes
    -----
    The squares add up to the combined variance: JCGM 100:2008, 5.1.2, Eq. (10), for independent sources.
    """
    total = sum(each["u_mm"] ** 2 for each in budget)
    return [
        BudgetBar(
            each["source"],
            format_metric(each["u_mm"]),
            share(each["u_mm"] ** 2 / total),
            each["u_mm"] ** 2 / total,
        )
        for each in budget
        if total > 0.0
    ]

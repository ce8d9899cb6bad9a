"""How numbers are said to people, on the page and in the report alike: lengths, doubts, limits, shares."""

import re

from calib.lengths import Units, format_feet_inches, format_length, format_metric, format_uncertainty


def share(p: float) -> str:
    """Return a share or probability in percent; never 100 or 0 where it is not quite."""
    if p > 0.995:
        return "> 99\xa0%"
    return "< 1\xa0%" if p < 0.005 else f"{100.0 * p:.0f}\xa0%"


def sentence(words: str) -> str:
    """Return words with a capital first letter and a full stop."""
    return f"{words[:1].upper()}{words[1:].removesuffix('.')}."


class Shown:
    """Lengths as the job's units show them."""

    def __init__(self, units: Units) -> None:
        self.units = units

    def length(self, mm: float) -> str:
        """Return a length, for example ``30' 6 13/16"``."""
        return format_length(mm, self.units)

    def doubt(self, u95_mm: float) -> str:
        """Return an expanded uncertainty, for example ``± 3/16"``."""
        return format_uncertainty(u95_mm, self.units)

    def doubted(self, mm: float, u95_mm: float) -> str:
        """Return a length with its expanded uncertainty."""
        return f"{self.length(mm)} {format_uncertainty(u95_mm, self.units)}"

    def doubted_twice(self, mm: float, u95_mm: float) -> str:
        """Return a length with its expanded uncertainty, in the job's units and in mm."""
        shown = self.doubted(mm, u95_mm)
        if self.units == "metric":
            return shown
        return f"{shown} ({format_metric(mm)} {format_uncertainty(u95_mm, 'metric')})"

    def cell(self, mm: float | None, u95_mm: float | None) -> str:
        """Return a measured length for a table, a dash for none; inches with the mm that verdicts are in."""
        if mm is None:
            return "–"
        doubt = "" if u95_mm is None else f" {format_uncertainty(u95_mm, 'metric')}"
        metric = format_metric(mm) + doubt
        return metric if self.units == "metric" else f"{format_feet_inches(mm)}\n{metric}"

    def limit(self, limit: str) -> str:
        """Return a limit with its inches first, if the job is in inches."""
        metric = limit.replace(">=", "≥").replace("<=", "≤").replace(" .. ", " to ")
        if self.units == "metric" or not limit.endswith(" mm"):
            return metric
        inches = re.sub(r"[0-9.]*[0-9]", lambda found: format_feet_inches(float(found[0])), metric)
        return f"{inches.removesuffix(' mm')}\n{metric}"

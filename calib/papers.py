"""Sheets a target can be printed on: office papers, drawing sheets, plotter rolls. Sizes in mm."""

from dataclasses import dataclass

from calib.errors import TargetError

_IN = 25.4
# Edge that a printer leaves blank. Office printers: a quarter of an inch; plotters and poster presses: 5 mm
# (common practice, no source).
_OFFICE_MARGIN_MM = 6.35
_PLOTTER_MARGIN_MM = 5.0


@dataclass(frozen=True, slots=True)
class Paper:
    """One kind of sheet.

    Attributes
    ----------
    name : str
        What a user types.
    title : str
        What the trade calls it.
    short_mm : float
        Short side of a sheet, or width of a roll, mm.
    long_mm : float or None
        Long side of a sheet, mm; None for a roll, which is cut to the length that the print needs.
    margin_mm : float
        Edge on which nothing is printed, mm.
    """

    name: str
    title: str
    short_mm: float
    long_mm: float | None
    margin_mm: float

    @property
    def is_office(self) -> bool:
        """Whether an ordinary desk printer takes it."""
        return self.margin_mm == _OFFICE_MARGIN_MM


def _sheet_in(name: str, title: str, short_in: float, long_in: float, margin_mm: float) -> Paper:
    return Paper(name, title, short_in * _IN, long_in * _IN, margin_mm)


_PAPERS = (
    # ANSI/ASME Y14.1 sizes A and B.
    _sheet_in("letter", "Letter, 8.5 × 11 in", 8.5, 11.0, _OFFICE_MARGIN_MM),
    _sheet_in("tabloid", "Tabloid, 11 × 17 in", 11.0, 17.0, _OFFICE_MARGIN_MM),
    # ISO 216:2007, series A.
    Paper("a4", "A4", 210.0, 297.0, _OFFICE_MARGIN_MM),
    Paper("a3", "A3", 297.0, 420.0, _OFFICE_MARGIN_MM),
    Paper("a2", "A2", 420.0, 594.0, _PLOTTER_MARGIN_MM),
    Paper("a1", "A1", 594.0, 841.0, _PLOTTER_MARGIN_MM),
    Paper("a0", "A0", 841.0, 1189.0, _PLOTTER_MARGIN_MM),
    # Architectural sheets and plotter rolls of the US trade: common practice.
    _sheet_in("arch-c", "ARCH C, 18 × 24 in", 18.0, 24.0, _PLOTTER_MARGIN_MM),
    _sheet_in("arch-d", "ARCH D, 24 × 36 in", 24.0, 36.0, _PLOTTER_MARGIN_MM),
    _sheet_in("arch-e", "ARCH E, 36 × 48 in", 36.0, 48.0, _PLOTTER_MARGIN_MM),
    Paper("roll-24", "24 in roll", 24.0 * _IN, None, _PLOTTER_MARGIN_MM),
    Paper("roll-36", "36 in roll", 36.0 * _IN, None, _PLOTTER_MARGIN_MM),
)


def papers() -> tuple[Paper, ...]:
    """Return every paper that a target can be printed on."""
    return _PAPERS


def paper_named(name: str) -> Paper:
    """Return a paper by the name that a user types.

    Parameters
    ----------
    name : str
        Such as ``letter`` or ``a4``; capitals do not matter.

    Returns
    -------
    Paper
        The sheet.

    Raises
    ------
    TargetError
        If there is none of that name.
    """
    for paper in _PAPERS:
        if paper.name == name.lower():
            return paper
    msg = f"no paper {name!r:.40}; there are {', '.join(paper.name for paper in _PAPERS)}"
    raise TargetError(msg)

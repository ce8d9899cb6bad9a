"""Sheet metals of a cap: expansion, density, thickness by gauge number. Lengths in mm.

One gauge number means two thicknesses, galvanized and bare; so the metal is always named with it.
"""

from dataclasses import dataclass

from calib.errors import PlanError
from calib.lengths import MM_PER_INCH


@dataclass(frozen=True, slots=True)
class Metal:
    """Linear expansion (1e-6 per K) and density (kg/m³) of a sheet metal."""

    name: str
    expansion_1e6_per_k: float
    density_kg_m3: float


# Steel sheet by gauge is reckoned at 41.82 lb per square foot and inch of thickness (Manufacturers' Standard
# Gauge), which includes the mill's allowance for sheets rolled thick: 2.5 % above the density of steel.
_LB_KG = 0.45359237  # exact, 1959 agreement
_SHEET_STEEL_KG_M3 = 41.82 * _LB_KG / (0.3048**2 * 0.0254)

# Expansion: steel 12, stainless (304) 17, copper 16.8, aluminium 23.1, rolled zinc 22 in two roofing
# articles; densities other than steel's from memory (handbook values), only used for weights.
METALS = {
    metal.name: metal
    for metal in (
        Metal("galvanized steel", 12.0, _SHEET_STEEL_KG_M3),
        Metal("bare steel", 12.0, _SHEET_STEEL_KG_M3),
        Metal("stainless steel", 17.0, 8000.0),
        Metal("copper", 16.8, 8940.0),
        Metal("aluminium", 23.1, 2700.0),
        Metal("zinc", 22.0, 7140.0),
    )
}

# Nominal thickness in inches by gauge number.
_GAUGES_IN = {
    # ASTM A653/A924 table, coating included.
    "galvanized steel": {20: 0.0396, 22: 0.0336, 24: 0.0276, 26: 0.0217, 28: 0.0187, 29: 0.0172},
    # Manufacturers' Standard Gauge; 20 verified, the others from memory.
    "bare steel": {20: 0.0359, 22: 0.0299, 24: 0.0239, 26: 0.0179},
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet: its metal and thickness, in mm."""

    metal: Metal
    thickness_mm: float

    @property
    def kg_per_m2(self) -> float:
        """Mass of a square metre."""
        return self.metal.density_kg_m3 * self.thickness_mm / 1000.0

    def mass_kg(self, length_mm: float, width_mm: float) -> float:
        """Return the mass of a flat piece."""
        return self.kg_per_m2 * length_mm * width_mm / 1e6


def find_metal(name: str) -> Metal:
    """Return a metal by name.

    Raises
    ------
    PlanError
        If there is no such metal here.
    """
    if name not in METALS:
        msg = f"no metal {name!r} here; choose one of {', '.join(METALS)}"
        raise PlanError(msg)
    return METALS[name]


def make_sheet(metal: str, *, gauge: int | None = None, thickness_mm: float | None = None) -> Sheet:
    """Return a sheet by its thickness, or by its gauge number where the metal has gauges.

    Raises
    ------
    PlanError
        If the metal or gauge is unknown, the thickness is not positive, or not just one of the two is given.
    """
    found = find_metal(metal)
    if (gauge is None) == (thickness_mm is None):
        msg = "a sheet needs its gauge number or its thickness, one of the two"
        raise PlanError(msg)
    if thickness_mm is None:
        gauges = _GAUGES_IN.get(metal, {})
        if gauge not in gauges:
            known = f"gauges {', '.join(map(str, gauges))}" if gauges else "no gauges"
            msg = f"{metal}: gauge {gauge} is not in our table ({known}); give the thickness instead"
            raise PlanError(msg)
        thickness_mm = gauges[gauge] * MM_PER_INCH
    if not 0.0 < thickness_mm < 10.0:
        msg = f"a cap of {thickness_mm} mm sheet is not sheet metal; check the thickness"
        raise PlanError(msg)
    return Sheet(found, thickness_mm)

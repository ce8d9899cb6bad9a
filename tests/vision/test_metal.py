"""Sheet metals: thickness by gauge, weight by gauge, refusals."""

import pytest

from calib.errors import PlanError
from vision.metal import find_metal, make_sheet

LB_PER_FT2 = 0.45359237 / 0.3048**2


# ASTM A653/A924 nominal thickness, coating included: 24 gauge is 0.0276 in, 0.701 mm.
def test_published_24_gauge_galvanized_thickness():
    assert round(make_sheet("galvanized steel", gauge=24).thickness_mm, 3) == 0.701


def test_same_gauge_is_thinner_in_bare_steel():
    # Manufacturers' Standard Gauge: 20 gauge bare 0.0359 in, galvanized 0.0396 in.
    bare, galvanized = (make_sheet(metal, gauge=20) for metal in ("bare steel", "galvanized steel"))
    assert round(bare.thickness_mm / 25.4, 4) == 0.0359
    assert round(galvanized.thickness_mm / 25.4, 4) == 0.0396


# Galvanized sheet gauge, lb per square foot, from memory; paired with the verified 41.82 lb per square foot
# and inch, with which the verified thicknesses (four decimals: +-0.00005 in, +-0.0021 lb) must give them.
@pytest.mark.parametrize(
    ("gauge", "lb_per_ft2"), [(20, 1.656), (22, 1.406), (24, 1.156), (26, 0.906), (28, 0.781), (29, 0.719)]
)
def test_published_weight_of_galvanized_sheet(gauge, lb_per_ft2):
    assert make_sheet("galvanized steel", gauge=gauge).kg_per_m2 / LB_PER_FT2 == pytest.approx(
        lb_per_ft2, abs=0.0022
    )


def test_weight_by_hand_of_a_piece():
    # By hand: aluminium 1 mm, 3 m x 0.4 m = 1.2 m2; 2.7 kg/m2: 3.24 kg.
    assert make_sheet("aluminium", thickness_mm=1.0).mass_kg(3000.0, 400.0) == pytest.approx(3.24, abs=1e-9)


@pytest.mark.parametrize(
    ("metal", "given", "message"),
    [
        ("tin", {"gauge": 24}, "no metal 'tin' here; choose one of galvanized steel"),
        (
            "copper",
            {"gauge": 24},
            "copper: gauge 24 is not in our table .no gauges.; give the thickness instead",
        ),
        ("bare steel", {"gauge": 25}, "gauge 25 is not in our table .gauges 20, 22, 24, 26."),
        ("copper", {}, "a sheet needs its gauge number or its thickness"),
        ("bare steel", {"gauge": 24, "thickness_mm": 0.7}, "one of the two"),
        ("copper", {"thickness_mm": 0.0}, "a cap of 0.0 mm sheet is not sheet metal"),
    ],
)
def test_sheet_that_is_unknown_is_refused(metal, given, message):
    with pytest.raises(PlanError, match=message):
        make_sheet(metal, **given)


def test_expansion_of_every_metal_is_positive():
    assert find_metal("zinc").expansion_1e6_per_k == 22.0

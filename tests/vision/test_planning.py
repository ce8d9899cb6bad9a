"""A whole job: take-off worked by hand, stock over all ridges, notes that carry the doubt, stations."""

import pytest

from calib.errors import PlanError
from vision.metal import make_sheet
from vision.movement import Heat
from vision.options import KeepClear, Wishes
from vision.plan import Plan
from vision.planning import Choices, Run, plan_job
from vision.stations import lap_marks, run_marks
from vision.takeoff import TakeoffRules

FOOT_MM, INCH_MM = 304.8, 25.4
STEEL = make_sheet("galvanized steel", gauge=24)


def quantities(job):
    return {line.item: line.quantity for line in job.takeoff}


def test_takeoff_of_the_32_ft_ridge_matches_the_one_worked_by_hand():
    # By hand: 384 in / 16 = 24 bays, a z-closure on each side: 48; two screws each, a tenth more: 105.6, 106.
    # Vent strips 64 ft, a tenth more 70.4 ft, in 10 ft pieces: 8. Rivets 182 (see test_fastening), a tenth
    # more 200.2: 201. Sealant: 3 laps x 2 rows + 2 ends, 15 in each: 120 in, a tenth more 11 ft: one tube.
    # Butyl 64 ft, a tenth more 70.4 ft: two rolls of 50 ft. A full piece: 10 ft x 15 in = 12.5 ft2 of
    # 41.82 x 0.0276 = 1.154 lb/ft2: 14.4 lb.
    job = plan_job(Plan(), [Run("ridge 1", 32 * FOOT_MM)], Choices(sheet=STEEL))
    assert quantities(job) == {
        "ridge cap": 4,
        "weight of a full cap piece": 14.4,
        "z-closure": 48,
        "screw for z-closures": 106,
        "vent strip": 8,
        "blind rivet": 201,
        "sealant": 1,
        "butyl tape": 2,
    }


def test_every_takeoff_line_says_how_it_was_counted():
    job = plan_job(Plan(), [Run("ridge 1", 32 * FOOT_MM)], Choices(sheet=STEEL))
    rules = {line.item: line.rule for line in job.takeoff}
    assert rules["z-closure"] == "one per bay and side; 24 bays, panels 1' 4\" wide"
    assert rules["blind rivet"] == "runs 60, laps 48, vent strips 66, gable ends 8, 10% added"
    assert all(rules.values())


def test_counted_bays_replace_the_panel_width():
    choices = Choices(takeoff=TakeoffRules(bays=21, fastener_allowance=0.0))
    job = plan_job(Plan(), [Run("ridge 1", 32 * FOOT_MM)], choices)
    assert quantities(job)["z-closure"] == 42
    assert quantities(job)["screw for z-closures"] == 84


def test_parts_that_are_not_used_have_no_line():
    job = plan_job(
        Plan(), [Run("hip 1", 5000.0, kind="hip")], Choices(takeoff=TakeoffRules(z_closures=False))
    )
    assert set(quantities(job)) == {"ridge cap", "blind rivet", "sealant"}


def test_bead_per_tube_by_hand():
    # By hand: 300 ml over a round bead of 1/4 in, pi x 6.35^2 / 4 = 31.67 mm2: 9.473 m.
    assert round(TakeoffRules().bead_per_tube_mm) == 9473


def test_two_ridges_share_their_stock():
    # By hand, fewest joints: 10 ft 6 in leaves 128 + 6 - 120 = 14 in, a stub, so two pieces of 67 in; 32 ft
    # leaves one of 44 in, which one of those 67 in pieces shares a stock piece with.
    ridges = [Run("ridge 1", 32 * FOOT_MM), Run("ridge 2", 126 * INCH_MM)]
    job = plan_job(Plan(), ridges, Choices(layout="fewest-joints"))
    cuts = [[round(piece / INCH_MM) for piece in cut] for cut in job.stock.cuts]
    assert cuts == [[120], [120], [120], [67, 44], [67]]
    assert job.stock.optimal


def test_hip_laps_face_its_lower_end_whatever_the_ridges_do():
    job = plan_job(Plan(), [Run("hip 1", 5000.0, kind="hip")], Choices(wishes=Wishes(edges_face="B")))
    assert job.runs[0].layout.edges_face == "A"
    assert job.runs[0].rivets.vent_strips == 0
    assert any("lower end" in note for note in job.runs[0].notes)


def test_doubt_is_carried_into_the_piece_left_long():
    job = plan_job(Plan(), [Run("ridge 1", 32 * FOOT_MM, 12.0)])
    run = job.runs[0]
    assert (run.trim_piece, run.leave_mm) == (3, 12.0)
    # 12 mm is more than 7/16 in, so 1/2 in is left; the last piece can grow from 82 to 120 in: 35 ft 2 in.
    assert run.notes[0] == (
        'holds for every length within 32\' 0" ± 1/2" (up to 35\' 2"): '
        'leave piece 4 longer by 1/2" and trim it once the rest is dry-fitted'
    )


def test_layout_that_does_not_hold_names_one_that_does():
    ridge_mm = (2 * 119.5 + 2 * 120 - 3 * 6 - 2) * INCH_MM
    job = plan_job(Plan(), [Run("ridge 1", ridge_mm, 20.0)])
    assert "does not hold for every length within" in job.runs[0].notes[0]
    assert "take fewest-cuts or fewest-joints, which does" in job.runs[0].notes[0]


def test_length_without_doubt_is_said_to_be_taken_as_exact():
    assert "taken as exact" in plan_job(Plan(ridge_mm=9000.0), []).runs[0].notes[0]


def test_crowded_lap_and_movement_are_among_the_notes():
    place = KeepClear("the chimney", 192 * INCH_MM, 24 * INCH_MM)
    run = Run("ridge 1", 32 * FOOT_MM, keep_clear=(place,))
    choices = Choices(layout="equal-ends", sheet=STEEL, heat=Heat(fixed="both"))
    notes = " | ".join(plan_job(Plan(), [run], choices).runs[0].notes)
    assert 'lap 2 is only 0" from the chimney (2\' 0" asked)' in notes
    assert "nowhere to go" in notes


def test_lap_marks_by_hand_with_a_witness_mark():
    # By hand: lap 1 from 75 to 81 in; the mark is 8 in from the lower piece's end: 73 in facing A.
    # Facing B the lower piece begins at 75, the edge is at 81, and the mark at 83.
    plan = Plan(witness_mm=8 * INCH_MM)
    shown = {}
    for face in "AB":
        run = plan_job(plan, [Run("ridge 1", 32 * FOOT_MM, edges_face=face)]).runs[0]
        mark = lap_marks(run.layout, run.tape, plan)[0]
        shown[face] = [
            round(each / INCH_MM, 6) for each in (mark.exposed_mm, mark.hidden_mm, mark.witness_mm)
        ]
    assert shown == {"A": [75, 81, 73], "B": [81, 75, 83]}


def test_run_marks_name_first_and_last_rivet():
    run = plan_job(Plan(), [Run("ridge 1", 32 * FOOT_MM)]).runs[0]
    first = run_marks(run.layout, Plan(), Choices().fastening)[0]
    assert (first.first_mm / INCH_MM, first.last_mm / INCH_MM, first.count) == pytest.approx((7.5, 67.5, 6))


def test_job_without_a_ridge_is_refused():
    with pytest.raises(PlanError, match="there is no ridge to lay out; give its length"):
        plan_job(Plan(), [])


def test_refusal_names_the_ridge():
    with pytest.raises(PlanError, match="ridge 7: a ridge must be longer than 0 mm"):
        plan_job(Plan(), [Run("ridge 7", -1.0)])


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"panel_mm": 0.0}, "panel_mm must be more than 0, got 0.0"),
        ({"bays": -3}, "bays cannot be negative, got -3"),
        ({"length_allowance": float("nan")}, "length_allowance cannot be negative, got nan"),
    ],
)
def test_takeoff_rules_out_of_range_are_refused(given, message):
    with pytest.raises(PlanError, match=message):
        TakeoffRules(**given)

"""Scoring the sample close-ups: every kind of right and wrong is told apart, on records made by hand."""

from typing import Any

from vision.plan import Plan
from webui.sample_truth import Comparison, score_close_ups

TRUTH = {
    "photos": {
        "run.jpg": {
            "rivets": [[0.0, 100.0], [300.0, 100.0], [640.0, 100.0]],
            "missing": [],
            "lap_mm": None,
        },
        "lap.jpg": {"rivets": [[0.0, 0.0]], "missing": [[50.0, 0.0]], "lap_mm": 146.0},
    }
}


def entry(photo: str, kind: str, **extra: Any) -> dict[str, Any]:
    return {"photo": photo, "kind": kind, "rivets": [], "spacings": [], "lap": None, "verdicts": []} | extra


def rivet(x: float, y: float) -> dict[str, Any]:
    return {"mm": [x, y]}


def verdict(rule: str, measured_mm: float | None = None, words: str = "meets") -> dict[str, Any]:
    return {"rule": rule, "measured_mm": measured_mm, "verdict": words}


def test_comparison_on_the_edge_of_its_interval_is_inside() -> None:
    assert Comparison(101.0, 1.0, 100.0).is_inside
    assert not Comparison(101.1, 1.0, 100.0).is_inside


def test_findings_are_paired_once_and_the_rest_counted_as_invented() -> None:
    photo = entry("run.jpg", "run", rivets=[rivet(1.0, 100.0), rivet(2.0, 100.0), rivet(300.0, 105.0)])
    score = score_close_ups([photo], TRUTH, Plan())
    assert (score.rivets, score.found, score.invented) == (3, 2, 1)


def test_spacing_between_found_rivets_is_held_against_the_true_one() -> None:
    photo = entry(
        "run.jpg",
        "run",
        rivets=[rivet(641.0, 100.0), rivet(300.0, 100.0), rivet(450.0, 100.0)],
        spacings=[
            {"from": 1, "to": 0, "mm": 341.0, "u95_mm": 0.5},
            {"from": 1, "to": 2, "mm": 150.0, "u95_mm": 1},
        ],
    )
    # 640 - 300; the second spacing ends at what is no rivet and has no truth.
    assert score_close_ups([photo], TRUTH, Plan()).spacings == (Comparison(341.0, 0.5, 340.0),)


def test_lap_is_held_against_the_true_one() -> None:
    photo = entry("lap.jpg", "lap", lap={"lap_mm": 145.5, "u95_mm": 1.0})
    assert score_close_ups([photo], TRUTH, Plan()).laps == (Comparison(145.5, 1.0, 146.0),)


def test_every_false_meets_is_named() -> None:
    run_photo = entry(
        "run.jpg",
        "run",
        rivets=[rivet(300.0, 100.0), rivet(640.0, 100.0)],
        spacings=[{"from": 0, "to": 1, "mm": 310.0, "u95_mm": 0.5}],
        verdicts=[verdict("rivet spacing", 310.0), verdict("rivet missing")],
    )
    lap_photo = entry(
        "lap.jpg",
        "lap",
        lap={"lap_mm": 160.0, "u95_mm": 1.0},
        verdicts=[
            verdict("lap length", 160.0),
            verdict("lap rivet count"),
            verdict("lap rivet row", 20.0),
            verdict("lap length", 146.0, "does not meet"),
        ],
    )
    score = score_close_ups([run_photo, lap_photo], TRUTH, Plan())
    assert score.wrong_meets == (
        "run.jpg: rivet spacing",  # truly 340 mm, over 317.5
        "lap.jpg: lap length",  # truly 146 mm, under 152.4
        "lap.jpg: lap rivet count",  # one rivet is truly missing
    )


def test_photo_that_was_not_measured_counts_its_rivets_as_not_found() -> None:
    photo = entry("run.jpg", "run")
    score = score_close_ups([photo], TRUTH, Plan())
    assert (score.rivets, score.found, score.wrong_meets) == (3, 0, ())

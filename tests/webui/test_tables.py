"""Results in a terminal: every number with its doubt, within 80 columns, names shown as they are."""

from io import StringIO
from typing import Any

import numpy as np
import pytest
from rich.console import Console, RenderableType

from calib.camera import Camera
from calib.lengths import Units
from vision.ridge import PhotoResult, RidgeMeasurement
from webui.evidence import Verification
from webui.tables import check_view, ridge_view, verification_view


def printed(view: RenderableType, width: int = 80) -> list[str]:
    console = Console(file=StringIO(), width=width, highlight=False)
    console.print(view)
    return console.file.getvalue().splitlines()  # type: ignore[attr-defined]


def ridge(**photos: PhotoResult) -> RidgeMeasurement:
    camera = Camera(3200, 2400, 2246.5, 2246.5, 1609.1, 1209.1, 0.0, 0.0, 0.0, 0.0, 0.0, np.eye(9))
    budget = (("lens", 3.0), ("picks", 1.0))
    return RidgeMeasurement(9870.2, 6.2, "many photos", budget, photos, camera, ("end A is 9 px off",), ())


VERDICT: dict[str, Any] = {
    "rule": "rivet spacing",
    "measured_mm": 398.9,
    "u95_mm": 0.62,
    "limit": "292.1 .. 317.5 mm",
    "p_conform": 0.0004,
    "verdict": "does not meet",
    "why": "outside by more than the guard band",
}


def audit(**extra: Any) -> dict[str, Any]:
    return {
        "photo": "run_[1].jpg",
        "measured": True,
        "kind": "run",
        "target": {"name": "card", "tags": [0, 1, 2, 3], "rms_px": 0.031},
        "mm_per_px": 0.52,
        "rivets": [{}, {}],
        "lap": None,
        "verdicts": [VERDICT],
        "notes": [],
    } | extra


@pytest.mark.parametrize(
    ("units", "length"), [("imperial", '32\' 4 9/16" ± 1/4"'), ("metric", "9870.2 mm ± 6.2 mm")]
)
def test_ridge_begins_with_its_length_and_doubt_in_the_units_asked_for(units: Units, length: str) -> None:
    assert printed(ridge_view(ridge(), units))[0].startswith(f"Ridge  {length}  (")


def test_budget_names_sources_largest_first_and_notes_follow() -> None:
    lines = printed(ridge_view(ridge(), "metric"))
    sources = [line.split()[0] for line in lines if line.startswith(("lens", "picks"))]
    assert sources == ["lens", "picks"]
    assert any("end A is 9 px off" in line for line in lines)


def test_photo_names_with_brackets_are_not_taken_for_styles() -> None:
    used = PhotoResult((10, 11, 12, 20), 0.21, True, ())
    shown = "\n".join(printed(ridge_view(ridge(**{"p[red]1.jpg": used}), "metric")))
    assert "p[red]1.jpg" in shown
    assert "10-12, 20" in shown
    assert printed(check_view([audit()], "metric"))[0].startswith("run_[1].jpg  run, 2 rivets")


@pytest.mark.parametrize("units", ["imperial", "metric"])
def test_close_up_shows_value_doubt_limit_probability_and_verdict_within_80_columns(units: Units) -> None:
    lines = printed(check_view([audit()], units))
    row = next(line for line in lines if line.startswith("rivet spacing"))
    # The uncertainty is rounded up: 0.62 -> 0.7.
    for cell in ("398.9 ± 0.7", "292.1 .. 317.5", "<1%", "✗ does not meet"):
        assert cell in row
    assert ("1' 3 11/16\"" in row) == (units == "imperial")
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize(
    ("p_conform", "shown"),
    [(0.0, " 0%"), (1e-12, "<1%"), (0.7, "70%"), (0.9999, ">99%"), (1.0, "100%")],
)
def test_probability_never_rounds_to_a_certainty_that_is_not_there(p_conform: float, shown: str) -> None:
    verdict = VERDICT | {"p_conform": p_conform}
    assert any(shown in line for line in printed(check_view([audit(verdicts=[verdict])], "metric")))


def test_reasons_stand_below_for_all_but_what_meets() -> None:
    meets = VERDICT | {"verdict": "meets", "why": "well inside"}
    shown = "\n".join(printed(check_view([audit(verdicts=[VERDICT, meets])], "metric")))
    assert "✗ rivet spacing: outside by more" in shown
    assert "well inside" not in shown


def test_photo_that_was_not_measured_says_why() -> None:
    empty = {"measured": False, "kind": None, "target": None, "mm_per_px": None, "rivets": [], "verdicts": []}
    lines = printed(check_view([audit(**empty, notes=["no tag of card was found"])], "metric"))
    assert lines[0] == "run_[1].jpg  not measured"
    assert "no tag of card was found" in lines[1]


def test_last_line_adds_up_the_verdicts() -> None:
    unsure = VERDICT | {"verdict": "cannot tell"}
    last = printed(check_view([audit(verdicts=[VERDICT, unsure, unsure])], "metric"))[-1]
    assert last.split("   ") == [
        "1 of 1 photos measured",
        "✓ meets 0",
        "✗ does not meet 1",
        "? cannot tell 2",
    ]


@pytest.mark.parametrize(
    ("found", "last"),
    [
        (Verification((), (), ("hashes",)), "The package holds."),
        (
            Verification((), ("close-ups",), ("hashes",)),
            "Nothing is wrong with the package, but not all",
        ),
        (Verification(("report.pdf is altered",), ("close-ups",), ()), "The package does not hold."),
    ],
)
def test_verification_ends_with_what_it_comes_to(found: Verification, last: str) -> None:
    lines = printed(verification_view(found))
    assert lines[-1].startswith(last)
    assert len(lines) == 1 + len(found.problems) + len(found.unconfirmed) + len(found.confirmed)

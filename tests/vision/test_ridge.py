"""Ridge length: real chessboard photos, simulated shoots, blunders and refusals."""

import json
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.errors import FileError, RecordError
from calib.targets import built_in_target, save_target
from tests.vision.simulated import ENDS_MM, STANDS, lens_prior, sight
from vision.look import ReadyPhoto
from vision.pose import SCENE_BREATHING, start_alone
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ready, measure_ridge
from vision.shoot import Shoot, ShootPhoto, load_shoot

SIZE = {"width_mm": 1.0, "height_mm": 1.0, "u_mm": 1.0}
TRUE_MM = float(np.linalg.norm(ENDS_MM[1] - ENDS_MM[0]))


def _ready(
    index: int, rng: np.random.Generator, *, off_px: Mapping[str, tuple[float, float]] | None = None
) -> ReadyPhoto:
    true = STANDS[index].px(ENDS_MM) + rng.normal(0.0, 1.0, (2, 2))
    ends = {end: tuple(true[i] + (off_px or {}).get(end, (0.0, 0.0))) for i, end in enumerate("ab")}
    seen = sight(STANDS[index], f"p{index}", rng, sigma_px=0.1, prior=lens_prior(rng.uniform(-0.04, 0.04)))
    return ReadyPhoto(
        ShootPhoto(f"p{index}", Path(f"p{index}"), ends), start_alone(seen, SCENE_BREATHING), ()
    )


def _measure(ready: list[ReadyPhoto], **settings: float) -> RidgeMeasurement | NotMeasured:
    shoot = Shoot((built_in_target("panel"),), tuple(item.photo for item in ready), **settings)
    return measure_ready(shoot, ready, {})


def _length(ready: list[ReadyPhoto], **settings: float) -> RidgeMeasurement:
    result = _measure(ready, **settings)
    assert isinstance(result, RidgeMeasurement)
    return result


def _board_corners(photo: Path) -> np.ndarray:
    grey = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCorners(grey, (9, 6))
    assert found
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    grid = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), criteria).reshape(6, 9, 2)
    # The finder may start at either end; the rectangle must run clockwise as seen.
    first, second, third = grid[0, 0], grid[0, 8], grid[5, 8]
    (ax, ay), (bx, by) = second - first, third - second
    clockwise = ax * by - ay * bx > 0.0
    return grid if clockwise else grid[:, ::-1]


@pytest.mark.parametrize("number", [1, 2, 3, 5, 7, 8, 9, 11, 12, 13])
def test_measure_far_squares_of_a_real_chessboard_from_a_near_rectangle(open_data, tmp_path, number):
    # Real photos, square 25 mm: Debian's opencv-doc examples/data, left01..14. The known rectangle is 3 x 3
    # squares at one end of the board; the length measured is 8 squares, across the whole board.
    photo = open_data / "chessboard" / f"left{number:02d}.jpg"
    grid = _board_corners(photo)
    corners = [grid[0, 0], grid[0, 3], grid[3, 3], grid[3, 0]]
    shoot = {
        "targets": [],
        "photos": {
            str(photo): {
                "a": grid[1, 0].tolist(),
                "b": grid[1, 8].tolist(),
                "rectangle": {
                    "corners": [corner.tolist() for corner in corners],
                    "width_mm": 75.0,
                    "height_mm": 75.0,
                    "u_mm": 0.1,
                },
            }
        },
        "pick_sigma_px": 0.15,
    }
    result = measure_ridge(_loaded(shoot, tmp_path))
    assert isinstance(result, RidgeMeasurement)
    assert result.method == "one photo"
    # No EXIF in these files: the lens is guessed to 30 %, so the interval is wide, but it must hold the truth
    # (1.5 U is 2.9 u: 1 in 300 by chance).
    assert abs(result.length_mm - 200.0) <= 1.5 * result.u95_mm
    assert result.u95_mm < 40.0


def _loaded(record: dict, folder: Path) -> Shoot:
    path = folder / "shoot.json"
    path.write_text(json.dumps(record))
    return load_shoot(path)


def test_length_from_many_photos_is_held_by_its_interval():
    # 40 simulated shoots of five photos: 38 expected inside; 34 or fewer has a chance of 1 in 100 (binomial).
    inside = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        result = _length([_ready(i, rng) for i in range(5)])
        inside += abs(result.length_mm - TRUE_MM) <= result.u95_mm
    assert inside >= 35


def test_length_from_one_photo_is_held_by_its_interval():
    inside = 0
    for seed in range(40):
        rng = np.random.default_rng(500 + seed)
        result = _length([_ready(seed % 5, rng)], setback_mm=2475.0, setback_u_mm=30.0)
        inside += abs(result.length_mm - TRUE_MM) <= result.u95_mm
    assert inside >= 35


def test_budget_of_one_photo_adds_up_and_names_the_lens_first():
    result = _length([_ready(1, np.random.default_rng(1))], setback_mm=2475.0, setback_u_mm=10.0)
    assert 1.96 * np.sqrt(sum(u**2 for _, u in result.budget)) == pytest.approx(result.u95_mm, rel=1e-4)
    assert result.budget[0][0] == "lens"
    assert "calibrating the lens" in result.advice[1]


def test_order_of_photos_does_not_change_the_length():
    rng = np.random.default_rng(8)
    ready = [_ready(i, rng) for i in range(5)]
    assert _length(ready).length_mm == pytest.approx(_length(ready[::-1]).length_mm, abs=1e-6)


def test_pick_on_the_wrong_corner_is_named_and_not_used():
    rng = np.random.default_rng(9)
    ready = [_ready(i, rng, off_px={"b": (25.0, -12.0)} if i == 3 else None) for i in range(5)]
    result = _length(ready)
    assert any("end B in p3" in note and "wrong corner" in note for note in result.notes)
    assert abs(result.length_mm - TRUE_MM) <= 1.5 * result.u95_mm


def test_ends_swapped_in_one_photo_are_named():
    rng = np.random.default_rng(10)
    ready = [_ready(i, rng) for i in range(5)]
    swapped = ready[2].photo
    ends = {"a": swapped.ends["b"], "b": swapped.ends["a"]}
    ready[2] = ReadyPhoto(ShootPhoto(swapped.name, swapped.path, ends), ready[2].start, ())
    result = _measure(ready)
    text = " ".join(result.notes) if isinstance(result, RidgeMeasurement) else result.why
    assert "ends A and B of p2 are swapped" in text


def test_end_picked_in_one_photo_only_is_not_measured():
    rng = np.random.default_rng(11)
    first, second = _ready(0, rng), _ready(1, rng)
    half = [
        ReadyPhoto(ShootPhoto(item.photo.name, item.photo.path, {end: item.photo.ends[end]}), item.start, ())
        for item, end in ((first, "a"), (second, "b"))
    ]
    result = _measure(half)
    assert isinstance(result, NotMeasured)
    assert "pick both ends in one photo" in result.why
    assert result.record()["ridge"] is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"foto": {}}, "unknown key 'foto'"),
        ({"photos": {}}, "at least one photo"),
        ({"targets": "panel.json"}, "a list of target files"),
        ({"targets": []}, "nothing gives the scale"),
        ({"photos": {"p.jpg": {"a": [1]}}}, "a pair"),
        ({"tape": [{"from": 10, "to": 99, "mm": 1.0, "u_mm": 1.0}]}, "tag 99 is on none of the targets"),
        ({"tape": [{"from": 10, "to": 10, "mm": 1.0, "u_mm": 1.0}]}, "the same tag"),
        ({"pick_sigma_px": 0}, "must be more than 0"),
        ({"setback_mm": "far"}, "a number was expected"),
        (
            {"photos": {"p.jpg": {"rectangle": {"corners": [[0, 0], [0, 9], [9, 9], [9, 0]], **SIZE}}}},
            "clockwise",
        ),
    ],
)
def test_shoot_file_that_breaks_the_contract_is_refused(tmp_path, change, message):
    save_target(built_in_target("panel"), tmp_path / "panel.json")
    record = {"targets": ["panel.json"], "photos": {"p.jpg": {"a": [1.0, 2.0], "b": [3.0, 4.0]}}} | change
    path = tmp_path / "shoot.json"
    path.write_text(json.dumps(record))
    with pytest.raises(RecordError, match=message):
        load_shoot(path)


def test_missing_photo_is_refused_by_name(tmp_path):
    save_target(built_in_target("panel"), tmp_path / "panel.json")
    path = tmp_path / "shoot.json"
    path.write_text(json.dumps({"targets": ["panel.json"], "photos": {"gone.jpg": {}}}))
    with pytest.raises(FileError, match=r"gone\.jpg: no such file"):
        measure_ridge(load_shoot(path))

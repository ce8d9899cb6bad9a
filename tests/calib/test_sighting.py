"""Tags found and measured: drawn pictures, rendered photos with exact truth, an outside detector.

Where a covariance is tested: e' C^-1 e of a tag's eight coordinates is chi-square with 8 degrees of freedom,
so that its sum over n tags has 8 n; the bounds are the 99.9 % points of that.
"""

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

from calib.errors import PhotoError
from calib.sighting import Sightings, TagSighting, find_tags
from tests.calib.drawn_tags import (
    Camera,
    any_square,
    corners_of_square,
    draw,
    expose,
    homography,
    tag_picture,
)


def _only(found: Sightings, tag_id: int) -> TagSighting:
    assert [tag.tag_id for tag in found.tags] == [tag_id]
    return found.tags[0]


def _square_error(tag: TagSighting, corners: np.ndarray) -> float:
    """Return e' C^-1 e."""
    error = (tag.corners_px - corners).ravel()
    return float(error @ np.linalg.solve(tag.cov_px2, error))


def test_corner_frame_is_the_centre_of_the_top_left_pixel() -> None:
    # Black covers columns 40 to 119 and rows 26 to 105, ten px a cell: its edges lie half a px outside.
    picture = np.full((140, 170), 230, np.uint8)
    cells = np.kron(tag_picture(5)[1:9, 1:9], np.ones((10, 10)))
    picture[26:106, 40:120] = np.where(cells > 0, 230, 30)
    tag = _only(find_tags(picture), 5)
    expected = [[39.5, 25.5], [119.5, 25.5], [119.5, 105.5], [39.5, 105.5]]
    assert np.abs(tag.corners_px - expected).max() < 0.02
    assert tag.side_px == pytest.approx(80.0, abs=0.02)


@pytest.mark.parametrize("turn", range(4))
def test_corner_order_follows_the_tags_own_picture(turn: int) -> None:
    # Turned clockwise by quarter turns, the tag's top-left corner walks from top left to top right and on.
    corners = np.array([[40.3, 30.2], [119.8, 31.0], [118.5, 110.4], [41.0, 108.9]])
    tag = _only(find_tags(draw((150, 170), {31: np.roll(corners, -turn, axis=0)})), 31)
    assert np.abs(tag.corners_px - np.roll(corners, -turn, axis=0)).max() < 0.1
    plain = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    (outside,), _, _ = plain.detectMarkers(draw((150, 170), {31: np.roll(corners, -turn, axis=0)}))
    # The plain detector rounds to whole pixels and lies inside by up to one.
    assert np.abs(outside[0] - tag.corners_px).max() < 1.6


@pytest.mark.parametrize(
    ("side_px", "tilt_deg", "camera", "rms_px"),
    # The last column is what the goal of 0.10 px per coordinate asks for, or better where edges are long.
    [
        pytest.param(12.0, 0.0, Camera(blur_px=0.5), 0.10, id="12px"),
        pytest.param(16.0, 20.0, Camera(), 0.10, id="16px"),
        pytest.param(26.0, 60.0, Camera(), 0.10, id="26px-60deg"),
        pytest.param(50.0, 60.0, Camera(), 0.05, id="50px-60deg"),
        pytest.param(40.0, 30.0, Camera(noise=8.0), 0.10, id="noisy"),
        pytest.param(40.0, 30.0, Camera(bloom_px=0.3), 0.10, id="bloom"),
        pytest.param(100.0, 50.0, Camera(points_per_px=5), 0.05, id="100px-50deg"),
        pytest.param(100.0, 30.0, Camera(sharpening=1.0, jpeg_quality=85, points_per_px=5), 0.05, id="jpeg"),
        pytest.param(70.0, 30.0, Camera(blur_px=1.8, points_per_px=4), 0.10, id="blurred"),
        pytest.param(70.0, 30.0, Camera(white=0.3, black=0.1, points_per_px=5), 0.05, id="pale"),
        pytest.param(300.0, 30.0, Camera(points_per_px=3), 0.05, id="300px"),
    ],
)
def test_corners_of_drawn_tags_are_as_good_as_their_covariance_says(
    side_px: float, tilt_deg: float, camera: Camera, rms_px: float
) -> None:
    count = 10
    errors, squares = [], []
    for seed in range(100, 100 + count):
        tag_id, corners, shape = any_square(side_px, tilt_deg, seed)
        tag = _only(find_tags(draw(shape, {tag_id: corners}, camera, seed), [tag_id]), tag_id)
        errors.append(tag.corners_px - corners)
        squares.append(_square_error(tag, corners))
    assert np.sqrt(np.mean(np.square(errors))) < rms_px
    assert sum(squares) < chi2.ppf(0.999, 8 * count)
    # Nor may it be overstated: by a factor of two at most in standard deviation.
    assert np.mean(squares) / 8 > 0.25


def test_edge_bias_is_taken_out_of_the_corners() -> None:
    # Light that spreads by 0.4 px makes every black edge lie 0.4 px farther inside (a disc drawn with ten
    # points to a px is good to half a point, 0.05 px).
    tag_id, corners, shape = any_square(90.0, 20.0, 12)
    sharp, grown = (
        _only(find_tags(draw(shape, {tag_id: corners}, Camera(bloom_px=bloom, points_per_px=10), 1)), tag_id)
        for bloom in (0.0, 0.4)
    )
    assert grown.edge_bias_px - sharp.edge_bias_px == pytest.approx(0.4, abs=0.05)
    assert np.abs(grown.corners_px - sharp.corners_px).max() < 0.1
    # Left in, it would move each corner by 0.4 px along the diagonal, 0.57 px.
    assert np.linalg.norm(0.4 * grown.bias_direction, axis=1).min() > 0.4


def test_bias_direction_is_that_of_the_border_lines_moved_inwards() -> None:
    tag_id, corners, shape = any_square(120.0, 50.0, 7)
    tag = _only(find_tags(draw(shape, {tag_id: corners}, Camera(points_per_px=4))), tag_id)
    step = 0.01
    sides = np.roll(corners, -1, axis=0) - corners
    # Corners run clockwise with y down: turned by +90 degrees, a side points inwards.
    inward = np.stack([-sides[:, 1], sides[:, 0]], axis=1) / np.linalg.norm(sides, axis=1)[:, None]
    for i in range(4):
        # A point on both moved lines: n . x = n . (corner + step n).
        normals = inward[[i - 1, i]]
        moved = np.linalg.solve(normals, normals @ corners[i] + step)
        assert np.abs((moved - corners[i]) / step - tag.bias_direction[i]).max() < 0.02


@pytest.mark.parametrize("bow", [0.05, -0.08])
def test_large_tag_in_a_photo_bowed_by_the_lens(bow: float) -> None:
    # The lens moves the corners of the picture by 5 and -8 % of half its diagonal; edges sag by up to 16 px.
    scale, size = 2, (900, 1200)
    middle, radius = np.array([599.5, 449.5]), 750.0
    straight = corners_of_square(620.0, 30.0, 8.0, 20.0, np.array([640.0, 430.0]), 4.0)
    corners = straight.copy()
    for _ in range(60):
        corners -= _straightened(corners, middle, radius, bow) - straight
    y, x = (np.mgrid[: size[0] * scale, : size[1] * scale] + 0.5) / scale - 0.5
    places = _straightened(np.stack([x, y], axis=-1), middle, radius, bow)
    mapped = np.concatenate([places, np.ones((*x.shape, 1))], axis=-1) @ homography(straight).T
    cells = mapped[..., :2] / mapped[..., 2:]
    index = np.clip(np.floor(cells).astype(int) + 1, 0, 9)
    on_paper = (cells.min(axis=-1) >= -1.0) & (cells.max(axis=-1) < 9.0)
    colours = np.where(tag_picture(40)[index[..., 1], index[..., 0]] > 0, 0.8, 0.03)
    scene = np.where(on_paper, colours, 0.25).astype(np.float32)
    picture = expose(scene, Camera(blur_px=0.9, points_per_px=scale), np.random.default_rng(0))
    tag = _only(find_tags(picture, [40]), 40)
    assert np.abs(tag.corners_px - corners).max() < 0.15
    assert _square_error(tag, corners) < chi2.ppf(0.999, 8)


def _straightened(px: np.ndarray, middle: np.ndarray, radius: float, bow: float) -> np.ndarray:
    arm = px - middle
    return middle + arm * (1.0 + bow * np.sum(arm * arm, axis=-1, keepdims=True) / radius**2)


@pytest.mark.parametrize("side_px", [50.0, 120.0])
@pytest.mark.parametrize("seed", range(4))
def test_shade_across_a_tag_does_not_move_its_corners(side_px: float, seed: int) -> None:
    tag_id, corners, shape = any_square(side_px, 25.0, 200 + seed)
    direction = np.array([np.cos(seed), np.sin(seed)])
    edge = direction @ corners.mean(axis=0) + (seed - 1.5) * 0.2 * side_px
    picture = draw(
        shape,
        {tag_id: corners},
        seed=seed,
        light=lambda x, y: np.where(direction[0] * x + direction[1] * y > edge, 1.0, 0.25),
    )
    tag = _only(find_tags(picture, [tag_id]), tag_id)
    assert np.abs(tag.corners_px - corners).max() < 0.2
    assert _square_error(tag, corners) < chi2.ppf(0.999, 8)


@pytest.mark.parametrize("grey", [20, 60, 150])
@pytest.mark.parametrize("seed", range(6))
def test_covered_edge_is_seen_through_or_refused(grey: int, seed: int) -> None:
    # A bar of a quarter of the side, like a finger or a clamp, reaches over the border into the cells.
    tag_id, corners, shape = any_square(90.0, 25.0, 300 + seed)
    start, end = corners[seed % 4], corners[(seed + 1) % 4]
    place = start + (0.1 + 0.15 * seed) * (end - start)
    inner = place + 0.15 * (corners.mean(axis=0) - place)
    outer = place + 3.0 * (place - corners.mean(axis=0))
    picture = draw(shape, {tag_id: corners}, Camera(points_per_px=4), seed)
    line = [tuple(np.rint(point).astype(int).tolist()) for point in (inner, outer)]
    cv2.line(picture, line[0], line[1], grey, 22, cv2.LINE_AA)
    found = find_tags(picture, [tag_id])
    for tag in found.tags:
        assert tag.tag_id == tag_id
        assert _square_error(tag, corners) < chi2.ppf(0.999, 8)


# A strip over a whole side, in the tag's own cells: its edge could pass for the tag's.
STRIPS = {
    0: lambda d, skew: [[-2, -1.5], [10, -1.5], [10, d + skew], [-2, d - skew]],
    1: lambda d, skew: [[8 - d + skew, -2], [9.5, -2], [9.5, 10], [8 - d - skew, 10]],
    2: lambda d, skew: [[-2, 8 - d + skew], [10, 8 - d - skew], [10, 9.5], [-2, 9.5]],
    3: lambda d, skew: [[-1.5, -2], [d - skew, -2], [d + skew, 10], [-1.5, 10]],
}


def _with_strip(picture: np.ndarray, corners: np.ndarray, side: int, seed: int, grey: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    cells = np.array(STRIPS[side](rng.uniform(0.1, 0.9), rng.uniform(-0.15, 0.15)), dtype=float)
    to_px = np.linalg.inv(homography(corners))
    outline = cv2.perspectiveTransform(cells[None], to_px)[0]
    scale = 4
    strip = np.zeros([scale * size for size in picture.shape], np.uint8)
    cv2.fillPoly(strip, [np.rint((outline + 0.5) * scale - 0.5).astype(np.int32)], 255)
    strip = cv2.GaussianBlur(strip, (0, 0), 0.7 * scale)
    part = cv2.resize(strip, picture.shape[::-1], interpolation=cv2.INTER_AREA) / 255.0
    return np.rint(picture * (1.0 - part) + grey * part).astype(np.uint8)


@pytest.mark.parametrize("grey", [40, 128, 200, 235])
@pytest.mark.parametrize("seed", range(5))
def test_hidden_side_is_not_taken_from_the_edge_of_what_hides_it(grey: int, seed: int) -> None:
    tag_id, corners, shape = any_square(60.0 + 15.0 * seed, 35.0, 900 + seed)
    picture = draw(shape, {tag_id: corners}, Camera(points_per_px=4), seed)
    for side in range(4):
        found = find_tags(_with_strip(picture, corners, side, 10 * seed + side, grey), [tag_id])
        for tag in found.tags:
            assert _square_error(tag, corners) < chi2.ppf(0.9999, 8)


def test_half_covered_tag_is_refused() -> None:
    tag_id, corners, shape = any_square(90.0, 20.0, 11)
    picture = draw(shape, {tag_id: corners}, Camera(points_per_px=4))
    picture[:, round(corners[:, 0].mean()) :] = 120
    assert find_tags(picture, [tag_id]).tags == ()


@pytest.mark.parametrize(
    ("change", "most_px"),
    [
        # White at the end of the scale, and a veil that leaves 40 % of the contrast.
        (lambda grey: np.clip(1.5 * grey, 0, 255), 0.2),
        (lambda grey: np.clip(150 + 0.4 * grey, 0, 255), 0.2),
    ],
    ids=["overexposed", "veiled"],
)
def test_overexposed_and_veiled_tags_are_measured(change: object, most_px: float) -> None:
    squares = []
    for seed in range(5):
        tag_id, corners, shape = any_square(60.0, 30.0, 400 + seed)
        picture = change(draw(shape, {tag_id: corners}, seed=seed).astype(float))  # type: ignore[operator]
        tag = _only(find_tags(np.rint(picture).astype(np.uint8), [tag_id]), tag_id)
        assert np.abs(tag.corners_px - corners).max() < most_px
        squares.append(_square_error(tag, corners))
    assert sum(squares) < chi2.ppf(0.999, 8 * 5)


def test_tag_seen_twice_is_not_used() -> None:
    left = np.array([[30.0, 30.0], [90.0, 32.0], [88.0, 92.0], [29.0, 90.0]])
    picture = draw((130, 260), {9: left})
    picture[:, 130:] = draw((130, 130), {9: left + np.array([3.0, 2.0])})
    found = find_tags(picture)
    assert found.tags == ()
    assert found.notes == ("tag 9 was seen more than once; none is used: cover the copy or the mirror image",)


def test_mirrored_photo_names_its_tags() -> None:
    left = np.array([[30.0, 30.0], [90.0, 32.0], [88.0, 92.0], [29.0, 90.0]])
    picture = draw((130, 260), {9: left, 10: left + np.array([110.0, 4.0])})
    found = find_tags(picture[:, ::-1].copy())
    assert found.mirrored_ids == (9, 10)
    assert found.tags == ()
    assert find_tags(picture).mirrored_ids == ()


def test_tags_are_sorted_and_their_arrays_sealed() -> None:
    left = np.array([[30.0, 30.0], [90.0, 32.0], [88.0, 92.0], [29.0, 90.0]])
    tags = find_tags(draw((130, 260), {20: left, 3: left + np.array([110.0, 4.0])})).tags
    assert [tag.tag_id for tag in tags] == [3, 20]
    with pytest.raises(ValueError, match="read-only"):
        tags[0].corners_px[0, 0] = 0.0


def test_wanted_ids_end_the_search_early_with_the_same_corners() -> None:
    left = np.array([[30.0, 30.0], [130.0, 32.0], [128.0, 132.0], [29.0, 130.0]])
    picture = draw((170, 330), {20: left, 3: left + np.array([150.0, 4.0])})
    everything, wanted = find_tags(picture), find_tags(picture, [3, 20])
    for one, other in zip(everything.tags, wanted.tags, strict=True):
        # Both fits end when the corners move by less than 0.03 px.
        assert np.abs(one.corners_px - other.corners_px).max() < 0.03


@pytest.mark.parametrize(
    "picture",
    [np.zeros((60, 80, 3), np.uint8), np.zeros((60, 80), np.float64), np.zeros((0, 80), np.uint8)],
)
def test_picture_that_is_not_grey_bytes_is_refused(picture: np.ndarray) -> None:
    with pytest.raises(PhotoError, match="grey picture of bytes"):
        find_tags(picture)


@pytest.mark.parametrize("shape", [(1, 1), (7, 400), (90, 120)])
def test_picture_without_tags_gives_nothing(shape: tuple[int, int]) -> None:
    found = find_tags(np.random.default_rng(1).integers(0, 255, shape).astype(np.uint8))
    assert (found.tags, found.mirrored_ids, found.notes) == ((), (), ())


def test_hundred_megapixels_are_searched() -> None:
    tag_id, corners, shape = any_square(200.0, 30.0, 1)
    picture = np.full((8660, 11547), 150, np.uint8)
    drawn = draw(shape, {tag_id: corners}, Camera(points_per_px=3))
    picture[5000 : 5000 + shape[0], 9000 : 9000 + shape[1]] = drawn
    tag = _only(find_tags(picture, [tag_id]), tag_id)
    assert np.abs(tag.corners_px - corners - (9000.0, 5000.0)).max() < 0.1


def _truths(folder: Path) -> list[tuple[Path, dict[int, np.ndarray], set[int]]]:
    items = []
    for file in sorted(folder.glob("close*.json")):
        truth = json.loads(file.read_text())
        items.append((folder / truth["photo"], truth))
    for file in sorted(folder.glob("house*.json")):
        items += [(folder / name, item) for name, item in json.loads(file.read_text())["per_photo"].items()]
    return [
        (photo, {int(k): np.array(v) for k, v in item["tags_px"].items()}, set(map(int, item["tags_hidden"])))
        for photo, item in items
    ]


def _tilt_deg(corners: np.ndarray) -> float:
    """Return the tilt that foreshortens a far square as much as this one: arccos of its ratio of axes."""
    to_cells = homography(corners)
    middle = np.linalg.solve(to_cells, [4.0, 4.0, 1.0])
    px = middle[:2] / middle[2]
    step = 1e-3 * np.eye(2)
    around = np.array([[*(px + s * d), 1.0] for d in step for s in (1, -1)]) @ to_cells.T
    cells = around[:, :2] / around[:, 2:]
    slopes = np.stack([cells[0] - cells[1], cells[2] - cells[3]], axis=1)
    least, most = np.sort(np.linalg.svd(slopes, compute_uv=False))
    return float(np.degrees(np.arccos(least / most)))


def test_corners_in_rendered_photos_against_exact_truth(rendered_photos: Path) -> None:
    errors, squares = [], []
    for photo, tags, hidden in _truths(rendered_photos):
        grey = cv2.cvtColor(cv2.imread(str(photo)), cv2.COLOR_BGR2GRAY)  # turned upright by its EXIF
        found = {tag.tag_id: tag for tag in find_tags(grey).tags}
        # A hidden tag has a corner behind something thin; what shows of it may be enough.
        assert set(found) <= set(tags) | hidden, photo.name
        missed = {tag_id for tag_id in set(tags) - set(found) if _tilt_deg(tags[tag_id]) <= 60.0}
        assert missed == set(), photo.name
        for tag_id in set(found) & set(tags):
            if _tilt_deg(tags[tag_id]) <= 75.0:
                errors.append(found[tag_id].corners_px - tags[tag_id])
                squares.append(_square_error(found[tag_id], tags[tag_id]) / 8)
    assert len(errors) >= 113
    assert np.sqrt(np.mean(np.square(errors))) < 0.10
    # The card of these photos does not lie perfectly flat, which is no fault of the corners: the median of
    # chi-square over its 8 degrees of freedom is 0.92.
    assert np.median(squares) < 1.5
    assert np.mean(squares) < 2.5


# The process leaves before the library's clean-up, which can crash it.
_OUTSIDE = """
import json, os, sys
import numpy as np
from pupil_apriltags import Detector
pictures = np.load(sys.argv[1])
detector = Detector(families="tag36h11", quad_decimate=1.0, refine_edges=True)
found = []
for name in pictures.files:
    tags = detector.detect(pictures[name])
    found.append([[int(tag.tag_id), tag.corners.tolist()] for tag in tags])
print(json.dumps(found), flush=True)
os._exit(0)
"""


def test_corners_against_an_outside_detector(tmp_path: Path) -> None:
    # pupil-apriltags 1.0.4, in a process of its own; its frame lies half a pixel off ours and its corners run
    # counter-clockwise from the bottom left.
    truths, pictures = [], {}
    for seed in range(12):
        tag_id, corners, shape = any_square(130.0, 30.0, 500 + seed)
        truths.append((tag_id, corners))
        pictures[f"{seed:02d}"] = draw(shape, {tag_id: corners}, Camera(points_per_px=4, blur_px=0.8), seed)
    np.savez(tmp_path / "pictures.npz", **pictures)
    command = [sys.executable, "-c", _OUTSIDE, str(tmp_path / "pictures.npz")]
    run = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    ours, outside = [], []
    for (tag_id, corners), picture, seen in zip(
        truths, pictures.values(), json.loads(run.stdout), strict=True
    ):
        (their_id, theirs), *others = seen
        assert (their_id, others) == (tag_id, [])
        rolled = [np.roll(np.array(theirs)[::-1], turn, axis=0) - 0.5 for turn in range(4)]
        outside.append(min((r - corners for r in rolled), key=lambda error: float(np.abs(error).max())))
        ours.append(_only(find_tags(picture), tag_id).corners_px - corners)
    # Both frames agree after the half pixel, and we scatter less: theirs keeps the edge bias.
    assert np.abs(np.mean(ours, axis=(0, 1))).max() < 0.01
    assert np.abs(np.mean(outside, axis=(0, 1))).max() < 0.1
    assert np.sqrt(np.mean(np.square(ours))) < 0.25 * np.sqrt(np.mean(np.square(outside)))

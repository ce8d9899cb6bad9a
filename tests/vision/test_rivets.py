"""Rivet heads: on rendered photos with exact truth, and on scenes of our own making seen from afar."""

import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.signal import correlate2d

from calib.camera import Array, Camera
from calib.errors import GeometryError
from tests.measure_rivets import load_cases
from tests.vision.rendered import lay_white
from vision.plane import View, to_mm, to_px
from vision.rivet_net import marks, net
from vision.rivet_net.faces import are_blank
from vision.rivet_net.scenes import Light, Sheet, Sight, render, sight_from
from vision.rivets import (
    Fasteners,
    cut_patches,
    find_fasteners,
    find_rivets,
    propose_marks,
    spots_at,
    visible_region,
)

HEAD_MM = 9.5
CARD = np.array([[0.0, 0.0], [190.0, 0.0], [190.0, 130.0], [0.0, 130.0]])
# A guess and its truth belong together within this distance, as in the score of the photos.
MATCH_MM = 6.0


@dataclass(frozen=True)
class Case:
    """One rendered photo, what was found in it, and its truth."""

    truth: dict
    found: Fasteners
    view: View

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """Return (truth, found) rivets that belong together, nearest first."""
        wanted = np.array([rivet["mm"] for rivet in self.truth["rivets"]])
        thickness_mm = self.truth["target_thickness_mm"]
        got = to_mm(self.view, [rivet.px for rivet in self.found.rivets], thickness_mm).mm
        distance = np.linalg.norm(wanted[:, None] - got[None], axis=2)
        pairs: list[tuple[int, int]] = []
        for flat in np.argsort(distance, axis=None):
            i, j = (int(k) for k in np.unravel_index(flat, distance.shape))
            if (
                distance[i, j] <= MATCH_MM
                and i not in {p[0] for p in pairs}
                and j not in {p[1] for p in pairs}
            ):
                pairs.append((i, j))
        return pairs

    @property
    def errors_px(self) -> Array:
        return np.array(
            [self.found.rivets[j].px - self.truth["rivets"][i]["px"] for i, j in self.pairs]
        ).reshape(-1, 2)


def _flange(truth: dict) -> Array:
    """Return the outline of the flange around the run row, on the card's side of the hem."""
    along = np.array(truth["run_direction_mm"])
    square = np.array([-along[1], along[0]])
    row = np.median([np.dot(r["mm"], square) for r in truth["rivets"] if r["role"] == "run"])
    side = np.sign(CARD.mean(axis=0) @ square - row)
    hem, fold = row - 20.0 * side, row + (truth["flange_width_mm"] - 26.0) * side
    return np.array(
        [a * along + b * square for a, b in ((-1600, hem), (1600, hem), (1600, fold), (-1600, fold))]
    )


@pytest.fixture(scope="module")
def cases(rendered_photos: Path) -> list[Case]:
    result = []
    for file in sorted(rendered_photos.glob("close_dev_*.json")):
        truth = json.loads(file.read_text())
        given, pose = truth["camera"], truth["camera"]["pose"]["card"]
        lens = [given[k] for k in ("width", "height", "fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")]
        view = View(Camera(*lens), np.array(pose["R"]), np.array(pose["t_mm"]), np.zeros((15, 15)))
        found = find_fasteners(
            cv2.imread(str(rendered_photos / truth["photo"])),
            view,
            z_mm=truth["target_thickness_mm"],
            head_mm=truth["rivets"][0]["diameter_mm"],
            region_mm=_flange(truth),
            target_outline_mm=CARD,
        )
        result.append(Case(truth, found, view))
    return result


def test_heads_of_rendered_photos_are_found_and_nothing_else(cases: list[Case]) -> None:
    wanted = sum(len(case.truth["rivets"]) for case in cases)
    found = sum(len(case.found.rivets) for case in cases)
    right = sum(len(case.pairs) for case in cases)
    assert 2.0 * right / (wanted + found) >= 0.98


def test_head_centres_of_rendered_photos_agree_with_their_truth(cases: list[Case]) -> None:
    near = [case for case in cases if float(case.truth["conditions"].split(" m, tilt")[0].split()[-1]) <= 1.0]
    errors = np.concatenate([case.errors_px for case in near])
    assert np.sqrt((errors**2).sum(axis=1).mean()) <= 0.6


def test_head_covariance_of_rendered_photos_is_neither_small_nor_large(cases: list[Case]) -> None:
    squared = [
        error @ np.linalg.solve(case.found.rivets[j].cov_px2, error)
        for case in cases
        for error, (_, j) in zip(case.errors_px, case.pairs, strict=True)
    ]
    # Two per head is right on average. The heads of one photo share light and tilt, so that twelve photos are
    # about twelve independent values: the mean of twelve chi-squares of two scatters by 2 / sqrt(12) = 0.6.
    assert 0.8 <= float(np.mean(squared)) <= 3.2


def test_empty_holes_of_rendered_photos_are_no_rivets(cases: list[Case]) -> None:
    holes = [(case, d["px"]) for case in cases for d in case.truth["decoys"] if d["kind"] == "empty_hole"]
    assert holes
    for case, px in holes:
        assert min(np.hypot(*(hole.px - px)) for hole in case.found.holes) < 2.0


def _head_patches(folder: Path, stem: str) -> np.ndarray:
    """Return a photo's true heads as the network looks at them."""
    (case,) = (case for case in load_cases(folder) if case.name == stem)
    return cut_patches(case.image, spots_at(case.view, case.z_mm, case.head_mm, case.heads_mm))


def _dab(patch: np.ndarray) -> np.ndarray:
    """Lay a white disc of a head's size over a head."""
    y, x = np.mgrid[: patch.shape[0], : patch.shape[1]] - (patch.shape[0] - 1) / 2.0
    cover = np.clip(8.5 - np.hypot(x, y), 0.0, 1.0)[..., None]
    return np.round(patch * (1.0 - cover) + 250.0 * cover).astype(np.uint8)


@pytest.mark.parametrize("stem", ["close_dev_04", "close_dev_06", "close_dev_08", "close_dev_10"])
def test_only_a_blank_disc_among_heads_is_no_head(rendered_photos: Path, stem: str) -> None:
    heads = _head_patches(rendered_photos, stem)
    sure = np.full(len(heads), 0.99)
    assert not are_blank(heads, sure).any()
    for i in range(len(heads)):
        with_dab = np.concatenate([heads[:i], _dab(heads[i])[None], heads[i + 1 :]])
        assert np.flatnonzero(are_blank(with_dab, sure)).tolist() == [i]


def test_blank_discs_stay_where_no_head_shows_more(rendered_photos: Path) -> None:
    heads = _head_patches(rendered_photos, "close_dev_08")
    burnt_out = np.array([_dab(head) for head in heads])
    assert not are_blank(burnt_out, np.full(len(heads), 0.99)).any()
    # Two sure heads are too few to compare with.
    few = np.concatenate([heads[:2], burnt_out[:1]])
    assert not are_blank(few, np.full(3, 0.99)).any()


def test_heads_beside_glaring_smears_are_looked_at(rendered_photos: Path) -> None:
    rng = np.random.default_rng(0)
    looked_at = []
    for case in load_cases(rendered_photos):
        spots = spots_at(case.view, case.z_mm, case.head_mm, case.heads_mm[:3])
        region = visible_region(case.view, case.z_mm, case.head_mm, case.flange_mm)
        for head_mm, px, by_head in zip(spots.mm, spots.px, spots.px_by_head, strict=True):
            turn = rng.uniform(0.0, 2.0 * np.pi)
            away = rng.uniform(1.2, 1.4) * np.array([np.cos(turn), np.sin(turn)])
            photo = lay_white(case.image, px + by_head @ away, 0.5 * by_head)
            marks_mm = propose_marks(photo, case.view, case.z_mm, case.head_mm, region, case.card_mm)
            looked_at.append(np.linalg.norm(marks_mm - head_mm, axis=1).min() < 0.45 * case.head_mm)
    assert len(looked_at) == 36
    assert np.mean(looked_at) >= 0.6


# ---- scenes of our own ---------------------------------------------------------------------------------


def _light() -> Light:
    grey, none = np.ones(3, dtype=np.float32), np.zeros(3, dtype=np.float32)
    up = np.array([0.0, 0.3, 0.954], dtype=np.float32)
    return Light(up, grey, 0.2 * grey, up, none, 0.1, ())


def _sheet(seed: int) -> tuple[np.random.Generator, Sheet, marks.Finish]:
    rng = np.random.default_rng(seed)
    sheet, _ = marks.blank_sheet(rng, HEAD_MM)
    paint = marks.Finish(np.float32([0.2, 0.35, 0.25]), np.full(3, 0.04, dtype=np.float32), 0.3)
    sheet.albedo[:], sheet.mirror[:], sheet.roughness[:] = paint.albedo, paint.mirror, paint.roughness
    return rng, sheet, paint


def _photo(sheet: Sheet, sight: Sight) -> tuple[np.ndarray, View]:
    """Render a scene as a distant camera sees it, 110 px wide and 90 px high."""
    size, distance_mm = (110, 90), 2e5
    scale = float(np.linalg.norm(sight.by_mm[0]))
    camera = Camera(*size, scale * distance_mm, scale * distance_mm, (size[0] - 1) / 2.0, (size[1] - 1) / 2.0)
    axes = sight.by_mm.astype(float) / scale * (1.0, 1.0, -1.0)
    rotation = np.vstack([axes, np.cross(axes[0], axes[1])])
    image = np.clip(255.0 * render(sheet, _light(), sight, size) ** (1.0 / 2.2), 0.0, 255.0).astype(np.uint8)
    return image, View(camera, rotation, np.array([0.0, 0.0, distance_mm]), np.zeros((15, 15)))


SIGHT = sight_from(0.6, 1.9, 0.4, 2.2)


def test_scene_shows_a_point_of_the_sheet_where_the_view_says() -> None:
    _, sheet, _ = _sheet(3)
    sheet.height_mm[:] = 0.0
    x, y = sheet.cells(4.1, -2.7)
    sheet.albedo[np.hypot(x, y) < 3.0] = 0.0
    image, view = _photo(sheet, SIGHT)
    dark = (image.max() - image.mean(axis=2).astype(float)).clip(20.0) - 20.0
    v, u = np.mgrid[: dark.shape[0], : dark.shape[1]]
    centroid = np.array([(u * dark).sum(), (v * dark).sum()]) / dark.sum()
    np.testing.assert_allclose(centroid, to_px(view, [[4.1, -2.7]])[0], atol=0.1)


@pytest.mark.parametrize(("x_mm", "y_mm"), [(2.3, -3.1), (-6.7, 4.2)])
def test_head_of_a_scene_is_found_at_its_base_circle(x_mm: float, y_mm: float) -> None:
    rng, sheet, paint = _sheet(11)
    marks.add_rivet(rng, sheet, paint, x_mm, y_mm, HEAD_MM)
    image, view = _photo(sheet, SIGHT)
    rivets = find_rivets(image, view, z_mm=0.0, head_mm=HEAD_MM)
    assert len(rivets) == 1
    error = rivets[0].px - to_px(view, [[x_mm, y_mm]])[0]
    # Three standard deviations and a half hold two-dimensional scatter to 0.2 %.
    assert error @ np.linalg.solve(rivets[0].cov_px2, error) < 3.5**2


def test_head_outside_the_region_does_not_count() -> None:
    rng, sheet, paint = _sheet(11)
    marks.add_rivet(rng, sheet, paint, 2.3, -3.1, HEAD_MM)
    image, view = _photo(sheet, SIGHT)
    beside = np.array([[-30.0, 6.0], [30.0, 6.0], [30.0, 25.0], [-30.0, 25.0]])
    assert find_rivets(image, view, z_mm=0.0, head_mm=HEAD_MM, region_mm=beside) == ()


def test_head_under_the_target_does_not_count() -> None:
    rng, sheet, paint = _sheet(11)
    marks.add_rivet(rng, sheet, paint, 2.3, -3.1, HEAD_MM)
    image, view = _photo(sheet, SIGHT)
    over = np.array([[-10.0, -15.0], [15.0, -15.0], [15.0, 10.0], [-10.0, 10.0]])
    assert find_rivets(image, view, z_mm=0.0, head_mm=HEAD_MM, target_outline_mm=over) == ()


def test_head_cut_by_the_border_is_partly_seen() -> None:
    rng, sheet, paint = _sheet(11)
    marks.add_rivet(rng, sheet, paint, 2.3, -3.1, HEAD_MM)
    image, view = _photo(sheet, SIGHT)
    left = int(to_px(view, [[2.3, -3.1]])[0, 0]) - 7  # a head is 21 px across
    camera = replace(view.camera, width=image.shape[1] - left, cx=view.camera.cx - left)
    cut = replace(view, camera=camera)
    whole = find_rivets(image, view, z_mm=0.0, head_mm=HEAD_MM)
    partly = find_rivets(image[:, left:].copy(), cut, z_mm=0.0, head_mm=HEAD_MM)
    assert [rivet.partly_seen for rivet in whole] == [False]
    assert [rivet.partly_seen for rivet in partly] == [True]


def test_empty_hole_of_a_scene_is_a_hole() -> None:
    rng, sheet, paint = _sheet(11)
    marks.add_hole(rng, sheet, paint, 2.3, -3.1, HEAD_MM)
    image, view = _photo(sheet, SIGHT)
    found = find_fasteners(image, view, z_mm=0.0, head_mm=HEAD_MM)
    assert found.rivets == ()
    assert len(found.holes) == 1


def test_plane_behind_the_camera_holds_no_rivet() -> None:
    _, sheet, _ = _sheet(11)
    image, view = _photo(sheet, SIGHT)
    away = View(view.camera, np.diag([-1.0, 1.0, -1.0]) @ view.rotation, -view.translation_mm, view.cov)
    assert find_rivets(image, away, z_mm=0.0, head_mm=HEAD_MM) == ()


@pytest.mark.parametrize("head_mm", [0.0, -9.5, float("nan")])
def test_head_without_a_size_is_refused(head_mm: float) -> None:
    _, sheet, _ = _sheet(11)
    image, view = _photo(sheet, SIGHT)
    with pytest.raises(GeometryError, match="head diameter must be > 0 mm"):
        find_rivets(image, view, z_mm=0.0, head_mm=head_mm)


def test_visible_region_is_what_the_frame_shows() -> None:
    # A camera 500 mm straight above the target's origin, 45 degrees to each side of the picture's width.
    camera = Camera(1000, 600, 500.0, 500.0, 499.5, 299.5)
    view = View(camera, np.eye(3), np.array([0.0, 0.0, 500.0]), np.zeros((15, 15)))
    region = visible_region(view, 0.0, HEAD_MM)
    np.testing.assert_allclose(region.min(axis=0), [-500.0, -300.0], atol=1e-6)
    np.testing.assert_allclose(region.max(axis=0), [500.0, 300.0], atol=1e-6)


def test_spots_of_a_tilted_view_point_to_the_camera() -> None:
    _, view = _photo(_sheet(11)[1], SIGHT)
    spots = spots_at(view, 0.0, HEAD_MM, np.array([[1.0, 2.0]]))
    assert spots.sin_tilt[0] == pytest.approx(np.sin(0.6), abs=1e-3)
    np.testing.assert_allclose(spots.axes[0, 1], [np.cos(1.9), np.sin(1.9)], atol=1e-3)
    # Foreshortened by the cosine of the tilt towards the camera, not across.
    length = np.linalg.norm(spots.px_by_head[0], axis=0)
    np.testing.assert_allclose(length, [HEAD_MM * 2.2, HEAD_MM * 2.2 * np.cos(0.6)], rtol=1e-3)


def test_convolution_agrees_with_scipy() -> None:
    rng = np.random.default_rng(4)
    layer = rng.normal(size=(2, 12, 8, 3)).astype(np.float32)
    kernel = rng.normal(size=(5, 5, 3, 4)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    got = net._convolve(layer, kernel, bias, 2)
    for n, d in np.ndindex(2, 4):
        full = sum(correlate2d(layer[n, :, :, c], kernel[:, :, c, d], mode="same") for c in range(3))
        np.testing.assert_allclose(got[n, :, :, d], np.maximum(full[::2, ::2] + bias[d], 0.0), atol=1e-4)

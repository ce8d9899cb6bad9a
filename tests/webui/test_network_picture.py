"""The picture of a network: to scale, no mirror image, every camera, target and end named, files refused."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calib.errors import FileError
from tests.vision.simulated import ENDS_MM, STANDS
from tests.vision.simulated_job import SHOOTINGS, draw_job, measure_job
from vision.ridge import RidgeMeasurement
from webui.network_picture import draw_measured, draw_network, network_words, write_network_picture
from webui.sketch import DRAWN, DRAWN_WASH, INK, Shape, Sketch, Words

WIDTH, HEIGHT = 500.0, 420.0


@pytest.fixture(scope="module")
def found() -> RidgeMeasurement:
    measured = measure_job(draw_job(7, with_features=False))
    assert isinstance(measured, RidgeMeasurement)
    return measured


@pytest.fixture(scope="module")
def scene(found):
    return found.scene.record()


def _drawn(scene, **changes) -> Sketch:
    scene = {**scene, **changes}
    numbers = {name: str(i) for i, name in enumerate(scene["cameras"], 1)}
    return draw_network(scene, numbers, "metric", WIDTH, HEIGHT)


def _ridges(sketch: Sketch) -> list[np.ndarray]:
    return [item.points for item in sketch.items if isinstance(item, Shape) and item.width > 2.0]


def _words(sketch: Sketch) -> list[str]:
    return [item.text for item in sketch.items if isinstance(item, Words)]


def _bar_px(sketch: Sketch) -> float:
    lines = [item.points for item in sketch.items if isinstance(item, Shape) and item.width == 0.9]
    return float(np.ptp(lines[0][:, 0]))


def test_everything_is_named_in_both_views(scene):
    words = _words(_drawn(scene))
    for name in ("A", "B", "panel", "1", "2", "3", "4", "5"):
        assert words.count(name) == 2
    assert {"from above", "from the side"} <= set(words)


def test_ridge_is_to_scale_by_the_bar(scene):
    sketch = _drawn(scene)
    bar_mm = 1000.0 * float(_words(sketch)[-1].removesuffix(" m"))
    true_mm = np.linalg.norm(np.subtract(scene["ends"]["b"], scene["ends"]["a"]))
    for ridge in _ridges(sketch):
        drawn_mm = np.linalg.norm(ridge[1] - ridge[0]) / _bar_px(sketch) * bar_mm
        # The ridge lies level in both views; the simulated one falls by 50 mm.
        assert drawn_mm == pytest.approx(true_mm, rel=1e-3)


def test_picture_is_no_mirror_image(scene):
    # Seen from the cameras A is on the left (x is smaller), and they stand below the ridge seen from above.
    sketch = _drawn(scene)
    above, side = _ridges(sketch)
    assert above[0, 0] < above[1, 0]
    assert side[0, 0] < side[1, 0]
    # Camera 3 stands farthest to the right, camera 1 farthest to the left.
    places = {item.text: item.x for item in sketch.items if isinstance(item, Words) and item.text in "12345"}
    assert min(places, key=places.__getitem__) == "1"
    assert max(places, key=places.__getitem__) == "3"
    numbers = [item for item in sketch.items if isinstance(item, Words) and item.text == "4"]
    # Camera 4 stood low, on the ground; it is drawn below the ridge in the view from the side.
    assert numbers[1].y > side[0, 1]
    assert all(item.y > above[0, 1] for item in sketch.items if isinstance(item, Words) and item.text == "1")


def test_ends_change_sides_when_the_cameras_stand_behind(scene):
    behind = {name: [x, y, 2.0 * scene["ends"]["a"][2] - z] for name, (x, y, z) in scene["cameras"].items()}
    above, side = _ridges(_drawn(scene, cameras=behind))
    assert above[0, 0] > above[1, 0]
    assert side[0, 0] > side[1, 0]


def test_ellipses_are_as_large_as_they_say(scene):
    # An end with 10 mm standing out towards the cameras and 1 mm else; k = 2.448 for two coordinates.
    cov = {end: np.diag([1.0, 1.0, 100.0]).tolist() for end in ("a", "b", "ab")}
    sketch = _drawn(scene, cov_mm2=cov)
    enlarged = int(next(w for w in network_words({**scene, "cov_mm2": cov}) if "enlarged" in w).split()[4])
    shaded = [item.points for item in sketch.items if isinstance(item, Shape) and item.fill == DRAWN_WASH]
    px_per_mm = _bar_px(sketch) / (1000.0 * float(_words(sketch)[-1].removesuffix(" m")))
    tall = np.ptp(shaded[0][:, 1]) / px_per_mm / enlarged
    assert tall == pytest.approx(2.0 * 2.4477 * 10.0, rel=0.01)


def test_everything_lies_within_the_picture(scene):
    sketch = _drawn(scene)
    points = np.concatenate([item.points for item in sketch.items if isinstance(item, Shape)])
    assert points.min() >= -0.01
    assert points[:, 0].max() <= sketch.width + 0.01
    assert points[:, 1].max() <= sketch.height + 0.01
    assert sketch.height <= HEIGHT + 0.01


def test_record_of_before_is_drawn_without_what_it_does_not_tell(scene):
    old = {part: scene[part] for part in ("cameras", "targets", "ends")}
    sketch = draw_network(old, dict.fromkeys(old["cameras"], "1"), "imperial", WIDTH, HEIGHT)
    assert len(_ridges(sketch)) == 2
    assert not any(isinstance(item, Shape) and item.stroke == DRAWN for item in sketch.items)
    assert not any("Ellipses" in words for words in network_words(old))


def test_words_tell_under_which_angle_the_lines_of_sight_meet(scene):
    # The true angles, from where the simulated cameras stood.
    rays = [-stand.rotation.T @ stand.translation_mm - ENDS_MM[0] for stand in STANDS]
    cosines = [a @ b / np.linalg.norm(a) / np.linalg.norm(b) for a in rays for b in rays]
    first = network_words(scene)[0]
    assert first.startswith("5 lines of sight meet at A under up to ")
    told_deg = float(first.split("up to ")[1].split("°")[0])
    assert told_deg == pytest.approx(np.degrees(np.arccos(min(cosines))), abs=1.5)


def test_target_seen_elsewhere_by_one_photo_is_told_by_its_number(scene):
    name = next(iter(scene["cameras"]))
    moved = [[x + 3000.0, y, z] for x, y, z in scene["targets"]["panel"]]
    targets = {**scene["targets"], f"panel in {name}": moved}
    assert _words(_drawn(scene, targets=targets)).count("panel (1)") == 2
    targets[f"panel in {name}"] = scene["targets"]["panel"]
    assert "panel (1)" not in _words(_drawn(scene, targets=targets))


def test_measured_ridge_is_drawn_with_its_length_key_and_doubt(found):
    sketch = draw_measured(found, "metric")
    words = " ".join(_words(sketch))
    assert f"{found.length_mm:.1f} mm ± " in words
    assert all(Path(name).name in words for name in found.scene.cameras)
    assert found.budget[0][0] in words
    assert max(item.y for item in sketch.items if isinstance(item, Words)) < sketch.height


def test_photo_10_comes_after_photo_9(found):
    names = [f"p{i}.jpg" for i in (10, 9, 1, 2, 3)]
    places = dict(zip(names, found.scene.cameras.values(), strict=True))
    scene = replace(found.scene, cameras=places, looks={}, picked={})
    words = _words(draw_measured(replace(found, scene=scene), "metric"))
    assert any("4\u2002p9.jpg\u20035\u2002p10.jpg" in each for each in words)


@pytest.mark.parametrize("ending", ["png", "svg", "PNG"])
def test_picture_is_written(found, tmp_path, ending):
    path = tmp_path / f"network.{ending}"
    write_network_picture(found, "imperial", path)
    if ending == "svg":
        assert path.read_text(encoding="utf-8").startswith("<svg")
    else:
        with Image.open(path) as picture:
            assert picture.size[0] == 2160


def test_other_endings_and_folders_that_do_not_exist_are_refused(found, tmp_path):
    with pytest.raises(FileError, match=r"let its name end in \.png or \.svg"):
        write_network_picture(found, "imperial", tmp_path / "network.jpg")
    with pytest.raises(FileError, match="cannot be written"):
        write_network_picture(found, "imperial", tmp_path / "none" / "network.svg")


def test_ridge_ink_is_one_for_all(scene):
    ridges = [i for i in _drawn(scene).items if isinstance(i, Shape) and i.width > 2.0]
    assert {each.stroke for each in ridges} == {INK}
    assert len(SHOOTINGS) == len(scene["cameras"])

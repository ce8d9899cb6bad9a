"""Print how well tags are found and measured on the rendered photos with exact truth, photo by photo.

    python -m tests.measure_sighting [PHOTO_DIR]

Errors are RMS per coordinate, in px; chi2 is e' C^-1 e per coordinate and should be about 1; times are the
best of three, beside the decoding of the same file.
"""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from calib.sighting import Sightings, find_tags

_DEFAULT = Path(__file__).resolve().parent.parent.parent / "shared" / "photos" / "dev"
_HEADINGS = "photo               tags  seen   ours  plain  outside  chi2   bias  decode  wanted   all ms"
# The outside detector may end its interpreter: one process for each photo. Its frame is half a px off.
_OUTSIDE = """
import json, sys, cv2
from pupil_apriltags import Detector
grey = cv2.cvtColor(cv2.imread(sys.argv[1]), cv2.COLOR_BGR2GRAY)
tags = Detector(families="tag36h11", quad_decimate=1.0, refine_edges=True).detect(grey)
print(json.dumps({int(tag.tag_id): (tag.corners - 0.5).tolist() for tag in tags}))
"""

Corners = dict[int, np.ndarray]


def main() -> None:
    """Measure every photo that has tags in its truth, then all of them together."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else _DEFAULT
    print(_HEADINGS)
    everything: list[np.ndarray] = []
    squares: list[float] = []
    for photo, truth in _truths(folder):
        data = np.fromfile(photo, np.uint8)
        grey = cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2GRAY)
        found = find_tags(grey)
        chi2 = _squares(found, truth)
        ours = {tag.tag_id: tag.corners_px for tag in found.tags}
        everything += [ours[tag_id] - truth[tag_id] for tag_id in set(ours) & set(truth)]
        squares += chi2
        times = (
            _best_ms(lambda data=data: cv2.imdecode(data, cv2.IMREAD_COLOR)),
            _best_ms(lambda grey=grey, truth=truth: find_tags(grey, truth)),
            _best_ms(lambda grey=grey: find_tags(grey)),
        )
        bias = np.median([tag.edge_bias_px for tag in found.tags]) if found.tags else np.nan
        print(
            f"{photo.name:<18} {len(truth):5d} {len(chi2):5d} {_rms(ours, truth):6.3f} "
            f"{_rms(_plain(grey), truth):6.3f} {_rms(_outside(photo), truth):8.3f} "
            f"{np.mean(chi2) if chi2 else np.nan:5.2f} {bias:6.3f} "
            f"{times[0]:7.0f} {times[1]:7.0f} {times[2]:8.0f}",
            flush=True,
        )
    rms = np.sqrt(np.mean(np.square(everything)))
    print(f"all: {len(everything)} tags, RMS {rms:.3f} px, chi2 mean {np.mean(squares):.2f}, ", end="")
    print(f"median {np.median(squares):.2f}")


def _truths(folder: Path) -> list[tuple[Path, Corners]]:
    items = []
    for file in sorted(folder.glob("close*.json")):
        truth = json.loads(file.read_text())
        items.append((folder / truth["photo"], truth["tags_px"]))
    for file in sorted(folder.glob("house*.json")):
        for name, item in json.loads(file.read_text())["per_photo"].items():
            items.append((folder / name, item["tags_px"]))
    return [(photo, {int(k): np.array(v) for k, v in tags.items()}) for photo, tags in items]


def _squares(found: Sightings, truth: Corners) -> list[float]:
    """Return e' C^-1 e per coordinate of every tag that has a truth."""
    squares = []
    for tag in found.tags:
        if tag.tag_id in truth:
            error = (tag.corners_px - truth[tag.tag_id]).ravel()
            squares.append(float(error @ np.linalg.solve(tag.cov_px2, error)) / 8)
    return squares


def _plain(grey: np.ndarray) -> Corners:
    """Return the corners that OpenCV's detector finds as it comes."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = detector.detectMarkers(grey)
    return {} if ids is None else {int(k): v[0] for k, v in zip(ids.ravel(), corners, strict=True)}


def _outside(photo: Path) -> Corners:
    run = subprocess.run([sys.executable, "-c", _OUTSIDE, str(photo)], capture_output=True, text=True)
    found = json.loads(run.stdout) if run.returncode == 0 else {}
    return {int(k): np.array(v) for k, v in found.items()}


def _rms(found: Corners, truth: Corners) -> float:
    """Return the RMS error per coordinate; corners may begin anywhere and run either way round."""
    errors = []
    for tag_id in set(found) & set(truth):
        ways = [np.roll(found[tag_id][::way], turn, axis=0) for way in (1, -1) for turn in range(4)]
        errors.append(
            min((way - truth[tag_id] for way in ways), key=lambda error: float(np.abs(error).max()))
        )
    return float(np.sqrt(np.mean(np.square(errors)))) if errors else float("nan")


def _best_ms(work: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        work()
        best = min(best, 1e3 * (time.perf_counter() - start))
    return best


if __name__ == "__main__":
    main()

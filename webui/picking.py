"""Ridge ends while somebody picks them: proposed by what a photo shows, predicted by the picks in others.

These run in a worker, which keeps the photo at hand.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from vision.picking import Prediction, predict_ends, propose_in_photo
from vision.plane import View
from vision.predict import PredictedPoint
from vision.snap import Snap, snap_pick
from webui.at_hand import load_image, load_views
from webui.rounding import rounded

# A predicted line is drawn, not measured by: so many points show how the lens bends it.
_LINE_POINTS = 40

Ends = Mapping[str, Mapping[str, tuple[float, float]]]


def snap_to(
    original: Path, click: tuple[float, float], toward: tuple[float, float] | None
) -> dict[str, Any] | None:
    """Return what a click in a photo means, where it is and how well known; None if nothing is there."""
    found = snap_pick(load_image(original), click, toward)
    return _snap_record(found) if isinstance(found, Snap) else None


def propose(original: Path, views: Path, picks: Ends, name: str, pick_sigma_px: float) -> dict[str, Any]:
    """Return what helps to pick the ends of one photo.

    Parameters
    ----------
    original : Path
        The photo.
    views : Path
        The tied views of the job's ridge photos.
    picks : mapping
        Photo name to its picks so far.
    name : str
        The photo.
    pick_sigma_px : float
        Standard uncertainty of a pick, px.

    Returns
    -------
    dict
        ``proposed``: "a", "b" to a place, its uncertainty and what is there; ``predicted``: "a", "b" to a
        point or a line on which the end lies by the picks in other photos.
    """
    tied: Mapping[str, View] = load_views(views) or {}
    proposed = propose_in_photo(load_image(original), tied, picks, name, pick_sigma_px)
    predicted = predict_ends(tied, picks, name, pick_sigma_px)
    return {
        "proposed": {end: _snap_record(snap) for end, snap in proposed.items()},
        "predicted": {end: _prediction_record(found) for end, found in predicted.items()},
    }


def _snap_record(snap: Snap) -> dict[str, Any]:
    x, y = (rounded(float(value)) for value in snap.px)
    return {"x": x, "y": y, "sigma_px": rounded(snap.sigma_px), "kind": snap.kind}


def _prediction_record(found: Prediction) -> dict[str, Any]:
    if isinstance(found, PredictedPoint):
        x, y = (rounded(float(value)) for value in found.px)
        sigma_px = float(np.sqrt(np.trace(found.cov_px2) / 2.0))
        return {"point": [x, y], "sigma_px": rounded(sigma_px), "line": None}
    step = max(1, len(found.px) // _LINE_POINTS)
    line = [[rounded(float(x)), rounded(float(y))] for x, y in (*found.px[::step], found.px[-1])]
    return {"point": None, "sigma_px": None, "line": line}

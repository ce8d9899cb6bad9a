"""Tracks: one natural point followed through several photos, from matches between pairs of photos.

A track that reaches two places in one photo contradicts itself and is dropped.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.camera import Array
from vision.matching import Pairs

# Each photo is divided into this many columns and rows, and so many tracks may begin in each field.
_COLUMNS, _ROWS = 10, 8
_MOST_PER_FIELD = 4

Place = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Track:
    """One natural point: (photo, feature) in each photo that shows it, photos in increasing order."""

    places: tuple[Place, ...]


def chain_matches(matches: Mapping[tuple[int, int], Pairs]) -> list[Track]:
    """Return the tracks that matches add up to.

    Parameters
    ----------
    matches : Mapping
        Pair of photo numbers to the matched features' numbers, shape (M, 2).

    Returns
    -------
    list of Track
        Longest first, then in the order of photo and feature numbers.
    """
    parents: dict[Place, Place] = {}

    def root(place: Place) -> Place:
        while (parent := parents.setdefault(place, place)) != place:
            parents[place] = parents[parent]
            place = parent
        return place

    for (first, second), pairs in sorted(matches.items()):
        for i, j in pairs.tolist():
            parents[root((first, i))] = root((second, j))
    groups: dict[Place, list[Place]] = {}
    for place in sorted(parents):
        groups.setdefault(root(place), []).append(place)
    tracks = [
        Track(tuple(places))
        for places in groups.values()
        if len({photo for photo, _ in places}) == len(places)
    ]
    return sorted(tracks, key=lambda track: (-len(track.places), track.places))


def spread_tracks(
    tracks: Sequence[Track], px: Mapping[int, Array], sizes_px: Mapping[int, tuple[int, int]]
) -> list[Track]:
    """Return tracks, longest first, that cover all photos without crowding.

    Parameters
    ----------
    tracks : sequence of Track
        In the order of preference.
    px : Mapping
        Photo number to its features' places, shape (N, 2), px.
    sizes_px : Mapping
        Photo number to its width and height, px.

    Returns
    -------
    list of Track
        A track is kept when one of its photos has few others nearby.
    """
    counts: dict[tuple[int, int, int], int] = {}
    kept = []
    for track in tracks:
        fields = [_field(photo, px[photo][feature], sizes_px[photo]) for photo, feature in track.places]
        if min(counts.get(field, 0) for field in fields) < _MOST_PER_FIELD:
            kept.append(track)
            for field in fields:
                counts[field] = counts.get(field, 0) + 1
    return kept


def _field(photo: int, px: Array, size_px: tuple[int, int]) -> tuple[int, int, int]:
    column, row = np.floor((px + 0.5) / size_px * (_COLUMNS, _ROWS)).astype(int)
    return photo, int(column), int(row)

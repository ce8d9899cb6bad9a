"""A pen for pictures that are looked at on a telephone: lines with a dark casing, marks, words on plates.

Pictures are blue, green, red; px, (0, 0) the centre of the top-left one. Widths and letters are shares of the
picture's width, so that a picture says the same at every size. A verdict has a shape, a word and an ink.
"""

import functools
import itertools
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image as Pillow
from PIL import ImageDraw, ImageFont

from calib.camera import Array
from vision.verdict import Verdict

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]

WHITE, BLACK, PLATE = (255, 255, 255), (0, 0, 0), (32, 28, 24)
# Told apart with every kind of colour vision: after M. Okabe, K. Ito, "Color Universal Design", 2008; the
# report has the same.
VERDICT_INKS: dict[Verdict, Colour] = {
    Verdict.MEETS: (178, 114, 0),
    Verdict.DOES_NOT_MEET: (0, 78, 196),
    Verdict.CANNOT_TELL: (0, 106, 154),
}
# Letters are this share of the picture's width: 11 px high on a picture shown 360 px wide.
LETTER_SHARE = 1.0 / 33.0
_LINE_SHARE = 1.0 / 500.0
# A plate further than this from its place, in letters, is led to it by a line.
_LEADER_LETTERS = 1.6
# A dashed line's dash and gap, in line widths.
_DASH, _GAP = 5.0, 3.5
_FINE_BITS = 4


class Pen:
    """Draws on a picture; places off the picture are simply not seen."""

    def __init__(self, image: Image, letter_px: float | None = None) -> None:
        self.image = image
        width = image.shape[1]
        self.letter_px = max(8.0, LETTER_SHARE * width) if letter_px is None else letter_px
        self.line_px = max(1, round(_LINE_SHARE * width))
        self._plates: list[Box] = []

    def line(self, px: ArrayLike, *, dashed: bool = False, closed: bool = False, wide: bool = False) -> None:
        """Draw a white line on a dark casing."""
        points = np.asarray(px, dtype=float).reshape(-1, 2)
        if not np.isfinite(points).all():
            return
        if closed:
            points = np.concatenate([points, points[:1]])
        width = self.line_px * (2 if wide else 1)
        parts = _dashes(points, width) if dashed else [points]
        for colour, extra in ((BLACK, 2 * max(1, self.line_px // 2)), (WHITE, 0)):
            for part in parts:
                self._polyline(part, colour, width + extra)

    def ring(self, px: ArrayLike, radius_px: float) -> None:
        """Draw a circle."""
        turn = np.linspace(0.0, 2.0 * np.pi, 33)
        around = np.column_stack([np.cos(turn), np.sin(turn)])
        self.line(np.asarray(px, dtype=float) + radius_px * around)

    def square(self, px: ArrayLike, radius_px: float) -> None:
        """Draw a square that stands about a place as a ring would."""
        corners = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
        self.line(np.asarray(px, dtype=float) + 0.9 * radius_px * corners, closed=True)

    def cross(self, px: ArrayLike, radius_px: float) -> None:
        """Draw a cross in a dashed circle: something that should be there and is not."""
        turn = np.linspace(0.0, 2.0 * np.pi, 33)
        self.line(
            np.asarray(px, dtype=float) + radius_px * np.column_stack([np.cos(turn), np.sin(turn)]),
            dashed=True,
        )
        arm = 0.6 * radius_px
        for way in ((arm, arm), (arm, -arm)):
            self.line(np.array([np.asarray(px) - way, np.asarray(px) + way]))

    def mark(self, x: float, y: float, size_px: float, verdict: Verdict) -> None:
        """Draw a verdict's mark about a place."""
        half, ink, width = size_px / 2.0, VERDICT_INKS[verdict], max(1, round(0.13 * size_px))
        if verdict is Verdict.MEETS:
            cv2.circle(self.image, *_fine((x, y), half), ink, cv2.FILLED, cv2.LINE_AA, _FINE_BITS)
            self._polyline(_about(x, y, half, (-0.48, 0.0), (-0.12, 0.4), (0.5, -0.42)), WHITE, width)
        elif verdict is Verdict.DOES_NOT_MEET:
            self._fill(_about(x, y, 0.92 * half, (-1, -1), (1, -1), (1, 1), (-1, 1)), ink)
            for way in ((-0.45, -0.45), (-0.45, 0.45)):
                self._polyline(_about(x, y, half, way, (0.45, -way[1])), WHITE, width)
        else:
            self._fill(_about(x, y, half, (0.0, -1.05), (1.12, 0.95), (-1.12, 0.95)), ink)
            self.words(x - 0.28 * half, y - 0.55 * half, "?", 1.25 * half)

    def words(self, x: float, y: float, words: str, letter_px: float, colour: Colour = WHITE) -> None:
        """Write words with their top left corner at a place."""
        mask = _letters(words, letter_px)
        self._blend(round(x), round(y), mask, colour)

    def plate(self, px: ArrayLike, words: str, verdict: Verdict | None = None) -> None:
        """Write words on a dark plate near a place, the verdict's mark before them, clear of other plates.

        Nothing is written of a place off the picture.
        """
        place = np.asarray(px, dtype=float)
        size_px = self.image.shape[1::-1]
        if not (np.isfinite(place).all() and (place >= 0.0).all() and (place <= size_px).all()):
            return
        size, gap = self.letter_px, 0.35 * self.letter_px
        lead = 0.0 if verdict is None else 1.25 * size
        width = words_width(words, size) + lead + 2.0 * gap
        left, top = self._free_place(place, width, size + 2.0 * gap)
        box = (left, top, left + width, top + size + 2.0 * gap)
        self._plates.append(box)
        nearest = np.clip(place, box[:2], box[2:])
        if np.hypot(*(nearest - place)) > _LEADER_LETTERS * size:
            self.line(np.array([nearest, place]))
        self._fill(np.array([(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])]), PLATE)
        if verdict is not None:
            self.mark(left + gap + 0.5 * size, top + gap + 0.5 * size, size, verdict)
        self.words(left + gap + lead, top + gap, words, size)

    def keep_free(self, px: ArrayLike, reach_px: float) -> None:
        """Let no plate cover the surroundings of a place."""
        x, y = np.asarray(px, dtype=float).tolist()
        self._plates.append((x - reach_px, y - reach_px, x + reach_px, y + reach_px))

    def _free_place(self, place: Array, width: float, height: float) -> tuple[float, float]:
        """Return the top left corner of a plate: above, below or further off, where it covers the least."""
        limit = np.array([self.image.shape[1] - width, self.image.shape[0] - height])
        best, least = (0.0, 0.0), np.inf
        for rank, (right, down) in enumerate(_AROUND):
            corner = place + np.array([(right - 0.5) * width, (down - 0.5) * height])
            left, top = np.clip(corner, 0.0, np.maximum(limit, 0.0)).tolist()
            box = (left, top, left + width, top + height)
            covered = sum(_overlap(box, other) for other in self._plates) / (width * height)
            if covered + 0.01 * rank < least:
                best, least = (left, top), covered + 0.01 * rank
        return best

    def _polyline(self, px: Array, colour: Colour, width: int) -> None:
        points = np.rint(px * 2**_FINE_BITS).astype(np.int32)[None]
        cv2.polylines(self.image, list(points), False, colour, width, cv2.LINE_AA, _FINE_BITS)

    def _fill(self, px: Array, colour: Colour) -> None:
        points = np.rint(px * 2**_FINE_BITS).astype(np.int32)[None]
        cv2.fillPoly(self.image, list(points), colour, cv2.LINE_AA, _FINE_BITS)

    def _blend(self, left: int, top: int, mask: Image, colour: Colour) -> None:
        height, width = self.image.shape[:2]
        low, high = (
            np.maximum((left, top), 0),
            np.minimum((left + mask.shape[1], top + mask.shape[0]), (width, height)),
        )
        if (low >= high).any():
            return
        part = self.image[low[1] : high[1], low[0] : high[0]]
        alpha = mask[low[1] - top : high[1] - top, low[0] - left : high[0] - left, None] / 255.0
        part[:] = np.rint(part * (1.0 - alpha) + np.array(colour) * alpha).astype(np.uint8)


# Where a plate may stand about its place, in its own widths and heights, the best first.
_AROUND = (
    *((0.0, -1.1), (0.0, 1.1), (0.0, -2.2), (0.0, 2.2), (0.6, -1.1), (-0.6, -1.1), (0.6, 1.1), (-0.6, 1.1)),
    *((0.65, 0.0), (-0.65, 0.0), (0.0, -3.3), (0.0, 3.3), (0.6, -2.2), (-0.6, -2.2), (0.6, 2.2), (-0.6, 2.2)),
    *((0.0, -4.4), (0.0, 4.4), (0.0, 0.0)),
)


def words_width(words: str, letter_px: float) -> float:
    """Return how wide words are, px."""
    return float(_font(round(letter_px)).getlength(_known(words)))


def wrapped(words: str, letter_px: float, width_px: float) -> list[str]:
    """Break words into lines of a width; a word that is longer stands alone."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and words_width(longer, letter_px) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _letters(words: str, letter_px: float) -> Image:
    """Return words as a mask, 255 where there is ink."""
    font = _font(round(letter_px))
    width = max(1, round(font.getlength(_known(words))) + 2)
    picture = Pillow.new("L", (width, round(1.3 * letter_px)))
    ImageDraw.Draw(picture).text((0, 0), _known(words), font=font, fill=255, anchor="la")
    return np.asarray(picture, dtype=np.uint8)


@functools.cache
def _font(letter_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=max(letter_px, 6))


def _known(words: str) -> str:
    """Return words in the letters that the font has: those of ISO 8859-1."""
    plain = words.replace("≥", ">=").replace("≤", "<=").replace("–", "-").replace("\xa0", " ")
    return plain.encode("latin-1", "replace").decode("latin-1")


def _dashes(px: Array, width_px: float) -> list[Array]:
    """Cut a line of many corners into dashes."""
    dash, period = _DASH * width_px, (_DASH + _GAP) * width_px
    parts: list[Array] = []
    for start, end in itertools.pairwise(px):
        length = float(np.hypot(*(end - start)))
        if length == 0.0:
            continue
        way = (end - start) / length
        for at in np.arange(0.0, length, period):
            parts.append(np.array([start + at * way, start + min(at + dash, length) * way]))
    return parts


def _about(x: float, y: float, half: float, *corners: Sequence[float]) -> Array:
    return np.array([x, y]) + half * np.array(corners, dtype=float)


def _fine(place: tuple[float, float], radius: float) -> tuple[tuple[int, int], int]:
    scale = 2**_FINE_BITS
    return (round(place[0] * scale), round(place[1] * scale)), round(radius * scale)


def _overlap(one: Box, other: Box) -> float:
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    return max(width, 0.0) * max(height, 0.0)

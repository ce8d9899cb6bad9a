"""Line drawings: the same items as well-formed SVG and as a PNG, told by pixels that Pillow reads back."""

import io
from xml.etree import ElementTree as ET

import numpy as np
from PIL import Image

from webui.sketch import DRAWN, INK, Shape, Sketch, Words, broken, dashes, ellipse, to_png, to_svg, width_of

_AREA = Shape(np.array([[10.0, 10.0], [50.0, 10.0], [50.0, 30.0], [10.0, 30.0]]), None, 0.0, DRAWN)
_LINE = Shape(np.array([[60.0, 5.0], [60.0, 35.0]]), INK, 2.0)
_SKETCH = Sketch(120.0, 40.0, "a <plain> drawing", (_AREA, _LINE, Words(70.0, 25.0, "A & B", 12.0)))


def test_svg_is_well_formed_and_takes_no_words_as_markup():
    root = ET.fromstring(to_svg(_SKETCH))  # noqa: S314  # our own picture
    names = [each.tag.split("}")[1] for each in root]
    assert names == ["title", "rect", "polygon", "polyline", "text"]
    assert root[0].text == "a <plain> drawing"
    assert root[4].text == "A & B"
    assert root.get("viewBox") == "0 0 120 40"


def test_png_shows_areas_and_lines_where_they_are():
    picture = np.asarray(Image.open(io.BytesIO(to_png(_SKETCH))).convert("RGB"))
    assert picture.shape == (120, 360, 3)
    assert tuple(picture[60, 90]) == (0x00, 0x72, 0xB2)
    assert tuple(picture[60, 180]) == (0x1B, 0x25, 0x30)
    assert tuple(picture[60, 165]) == (255, 255, 255)
    # The words leave ink above their base line, none below but the comma's depth.
    assert picture[40:76, 210:].min() < 80
    assert picture[90:, 210:].min() == 255


def test_dashes_lie_on_their_line_and_leave_gaps():
    pieces = dashes(np.array([[0.0, 0.0], [30.0, 40.0]]), 4.0, 6.0)
    assert len(pieces) == 5
    np.testing.assert_allclose(pieces[1], [[6.0, 8.0], [8.4, 11.2]])


def test_ellipse_has_its_half_axes():
    points = ellipse(np.array([3.0, 5.0]), np.array([[4.0, 0.0], [0.0, 2.0]]), 8)
    np.testing.assert_allclose(points[[0, 2]], [[7.0, 5.0], [3.0, 7.0]])


def test_sentence_is_broken_into_lines_that_fit():
    sentence = "The wider the lines of sight cross, the better an end is fixed."
    lines = broken(sentence, 100.0, 8.0)
    assert " ".join(lines) == sentence
    assert len(lines) > 2
    assert max(width_of(line, 8.0) for line in lines) <= 100.0

"""The photos of the measured batch are other files of the same picture."""

import cv2
import numpy as np

from tests.fuzz.corpus import small_photos
from tests.measure_batch import varied


def test_varied_photo_is_another_file_of_the_same_picture() -> None:
    original = small_photos()[0]
    one, other = varied(original, 1), varied(original, 2)
    assert len({original, one, other}) == 3
    pictures = [
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) for data in (original, one, other)
    ]
    assert (pictures[0] == pictures[1]).all()
    assert (pictures[0] == pictures[2]).all()

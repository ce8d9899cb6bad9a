"""Refusing what is no photo of ours before anything is decoded: cut off, far too large, several pages."""

from calib.container import Container, read_container, sniff_format
from calib.errors import PhotoError
from calib.truncation import is_truncated

# Enough for any camera of the trade; more would not fit an ordinary computer's memory (no source).
LARGEST_PICTURE_PX = 200_000_000
LARGEST_FILE_BYTES = 2**30


def check_photo(data: bytes) -> Container:
    """Return what a photo's file says of itself, if it can be used.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Container
        Its format and size.

    Raises
    ------
    PhotoError
        If it is empty, no photo of the five formats, a raw file, cut off, over 200 megapixels, or has several
        frames. A file may be small and yet hold a picture that fills any memory: its size is looked at first.
    """
    if is_truncated(data, sniff_format(data)):
        msg = f"the file is cut off before the picture's end ({len(data)} bytes); copy the photo again"
        raise PhotoError(msg)
    container = read_container(data)
    width, height = container.width, container.height
    if width * height > LARGEST_PICTURE_PX:
        msg = (
            f"{width} x {height} px are {width * height / 1e6:.0f} megapixels; at most "
            f"{LARGEST_PICTURE_PX // 1_000_000} are opened"
        )
        raise PhotoError(msg)
    if container.is_multi_frame:
        msg = "the file holds several frames or pages; save the one that is the photo as a file of its own"
        raise PhotoError(msg)
    return container

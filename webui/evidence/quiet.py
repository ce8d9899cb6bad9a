"""Keeping a library's log off the person's screen: what goes wrong comes as an error."""

import contextlib
import logging
from collections.abc import Iterator


@contextlib.contextmanager
def quiet(library: str) -> Iterator[None]:
    """Silence a library's log while something is done with it."""
    logger = logging.getLogger(library)
    before, logger.disabled = logger.disabled, True
    try:
        yield
    finally:
        logger.disabled = before

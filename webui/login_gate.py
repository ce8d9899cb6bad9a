"""How often a log-in may be tried, per account and address, so that passwords cannot be guessed by trying."""

from limits import RateLimitItem, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from webui.errors import StoreError

# Failed and good tries alike, so that an answer tells nothing. Common practice, no source.
_LIMITS: tuple[tuple[str, RateLimitItem], ...] = (
    ("account and address", parse("10 per 15 minutes")),
    ("account", parse("100 per 15 minutes")),
    ("address", parse("30 per 15 minutes")),
)
WAIT_S = 15 * 60


class TooManyTriesError(StoreError):
    """A log-in that was tried too often."""


class LoginGate:
    """Counts log-ins."""

    def __init__(self) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def pass_through(self, name: str, address: str) -> None:
        """Count a try.

        Raises
        ------
        TooManyTriesError
            If there were too many.
        """
        keys = {"account and address": f"{name}\n{address}", "account": name, "address": address}
        for what, limit in _LIMITS:
            if not self._limiter.hit(limit, what, keys[what].casefold()):
                msg = f"too many log-ins were tried; wait {WAIT_S // 60} minutes"
                raise TooManyTriesError(msg)

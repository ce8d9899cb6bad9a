"""The evidence package: a bag that holds a job whole, and its check by anyone, years later."""

from webui.evidence.package import make_package, make_zip
from webui.evidence.signing import load_private_key, load_public_key, make_key
from webui.evidence.verification import Verification
from webui.evidence.verify import verify_package

__all__ = [
    "Verification",
    "load_private_key",
    "load_public_key",
    "make_key",
    "make_package",
    "make_zip",
    "verify_package",
]

"""What a package consists of: the names of its files, and how a name must look.

A package is a bag (RFC 8493): everything under data/ is its payload, the rest are tag files about it.
"""

import re

PAYLOAD = "data"
ORIGINALS = f"{PAYLOAD}/originals"
SCHEMAS = f"{PAYLOAD}/schemas"

JOB, FINDINGS, CHANGE_LOG = (f"{PAYLOAD}/{name}.json" for name in ("job", "findings", "change-log"))
REPORT, READ_ME = f"{PAYLOAD}/report.pdf", f"{PAYLOAD}/READ-ME.txt"
FINDINGS_CSV, TAKEOFF_CSV = f"{PAYLOAD}/findings.csv", f"{PAYLOAD}/take-off.csv"
RIDGE_PHOTOS = f"{PAYLOAD}/ridge-photos.geojson"

DECLARATION, INFO = "bagit.txt", "bag-info.txt"
# RFC 8493, 2.1.1.
DECLARATION_BYTES = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
ALGORITHMS = ("sha256", "sha512")
MANIFESTS = tuple(f"manifest-{algorithm}.txt" for algorithm in ALGORITHMS)
TAG_MANIFESTS = tuple(f"tagmanifest-{algorithm}.txt" for algorithm in ALGORITHMS)
# What is signed: it holds the hash of every other tag file, and these the hashes of everything else.
SIGNED = TAG_MANIFESTS[-1]
SIGNATURE = f"{SIGNED}.sig"

INFO_JOB, INFO_HEAD, INFO_KEY = "External-Identifier", "Change-Log-Head", "Signing-Key-Ed25519"

SCHEMA_NAMES = ("job", "findings", "change-log", "measure", "check", "layout", "target", "lens", "plan")

_PART = r"[A-Za-z0-9][A-Za-z0-9._-]*"
_NAME = re.compile(rf"{_PART}(?:/{_PART})*")
_LONGEST_NAME = 200


def is_plain_name(name: str) -> bool:
    """Tell whether a file's name is one that a package may hold: nothing absolute, above or hidden."""
    return len(name) <= _LONGEST_NAME and _NAME.fullmatch(name) is not None


def required_files() -> tuple[str, ...]:
    """Return the files that every package has."""
    payload = (JOB, FINDINGS, CHANGE_LOG, REPORT, READ_ME, FINDINGS_CSV, TAKEOFF_CSV)
    schemas = tuple(f"{SCHEMAS}/{name}.schema.json" for name in SCHEMA_NAMES)
    return (DECLARATION, INFO, *MANIFESTS, *TAG_MANIFESTS, *payload, *schemas)

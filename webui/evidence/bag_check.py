"""The hashes of a package: every file against its manifests, and the manifests against each other.

Stricter than RFC 8493 asks: both algorithms cover every file, nothing may lie beside, and every tag file has
the one form that we write, so that no bit of any file can change without that file being named.
"""

import hashlib
import re
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from webui.evidence import contents as names
from webui.evidence.signing import is_signed_by

_LINE = re.compile(r"([0-9a-f]+)  (.+)")
_DIGITS = {algorithm: 2 * hashlib.new(algorithm).digest_size for algorithm in names.ALGORITHMS}

Hashes = Mapping[str, Mapping[str, str]]


def bag_problems(folder: Path, files: Sequence[str]) -> tuple[str, ...]:
    """Check all hashes of a package.

    Parameters
    ----------
    folder : Path
        The package.
    files : sequence of str
        Names of all files in it.

    Returns
    -------
    tuple of str
        What is wrong, each sentence naming its file; empty if all is well.
    """
    missing = [name for name in names.required_files() if name not in files]
    problems = [f"{name}: is missing" for name in missing]
    hashes = _hash_all(folder, files)
    tags = (names.DECLARATION, names.INFO, *names.MANIFESTS)
    payload = [name for name in files if name.startswith(f"{names.PAYLOAD}/")]
    known = {*payload, *tags, *names.TAG_MANIFESTS, names.SIGNATURE}
    problems += [f"{name}: should not be there" for name in files if name not in known]
    problems += _against_manifests(folder, hashes, names.TAG_MANIFESTS, tags, files)
    problems += _against_manifests(folder, hashes, names.MANIFESTS, payload, files)
    if names.DECLARATION in files and (folder / names.DECLARATION).read_bytes() != names.DECLARATION_BYTES:
        problems.append(f"{names.DECLARATION}: is not the declaration of a bag of version 1.0")
    return tuple(dict.fromkeys(problems))


def signature_problems(folder: Path, files: Collection[str], wanted_key_hex: str | None) -> tuple[str, ...]:
    """Check the signature of a package.

    Parameters
    ----------
    folder : Path
        The package.
    files : collection of str
        Names of all files in it.
    wanted_key_hex : str or None
        Public key that must have signed it; None to check only that its own signature, if any, holds.

    Returns
    -------
    tuple of str
        What is wrong; empty if all is well.
    """
    key_hex = signing_key_hex(folder)
    has_signature = names.SIGNATURE in files
    if names.SIGNED not in files:
        return (f"{names.SIGNED}: is missing",)
    if key_hex is None and not has_signature:
        return () if wanted_key_hex is None else ("the package is not signed",)
    if not has_signature:
        return (f"{names.SIGNATURE}: is missing; the package says that it was signed",)
    if key_hex is None:
        return (f"{names.SIGNATURE}: should not be there; the package does not name a signing key",)
    if wanted_key_hex is not None and key_hex != wanted_key_hex:
        return (f"{names.INFO}: the package was signed with another key ({key_hex[:16]} ...)",)
    signature, signed = (folder / names.SIGNATURE).read_bytes(), (folder / names.SIGNED).read_bytes()
    if not is_signed_by(signature, signed, key_hex):
        return (f"{names.SIGNATURE}: the signature does not hold",)
    return ()


def signing_key_hex(folder: Path) -> str | None:
    """Return the public key that a package says it was signed with."""
    return bag_info(folder).get(names.INFO_KEY)


def bag_info(folder: Path) -> dict[str, str]:
    """Return what a package's bag-info.txt says; empty if it cannot be read."""
    try:
        text = (folder / names.INFO).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return {}
    return dict(line.split(": ", 1) for line in text.splitlines() if ": " in line)


def _hash_all(folder: Path, files: Sequence[str]) -> Hashes:
    with ThreadPoolExecutor() as pool:
        return dict(zip(files, pool.map(lambda name: _hashes(folder / name), files), strict=True))


def _hashes(path: Path) -> dict[str, str]:
    digests = {algorithm: hashlib.new(algorithm) for algorithm in names.ALGORITHMS}
    with path.open("rb") as file:
        while block := file.read(2**20):
            for digest in digests.values():
                digest.update(block)
    return {algorithm: digest.hexdigest() for algorithm, digest in digests.items()}


def _against_manifests(
    folder: Path, hashes: Hashes, manifests: Sequence[str], covered: Sequence[str], files: Collection[str]
) -> list[str]:
    """Hold files against the two manifests that cover them; one that alone disagrees is itself at fault."""
    there = [name for name in covered if name in files]
    wrong: dict[str, set[str]] = {}
    for algorithm, manifest in zip(names.ALGORITHMS, manifests, strict=True):
        if manifest in files:
            actual = {name: hashes[name][algorithm] for name in there}
            wrong[manifest] = _disagreements(folder / manifest, actual, algorithm)
    if not wrong:
        return []
    # What every manifest objects to is wrong itself; an objection of one alone is that manifest's own fault.
    agreed = set.intersection(*wrong.values())
    problems = [f"{name}: {_what(name, files)}" for name in sorted(agreed) if name]
    problems += [
        f"{manifest}: was changed" for manifest, said in wrong.items() if said - agreed or "" in said
    ]
    return problems


def _what(name: str, files: Collection[str]) -> str:
    return "was changed, or was not in the package when it was made" if name in files else "is missing"


def _disagreements(manifest: Path, actual: Mapping[str, str], algorithm: str) -> set[str]:
    """Return the files on which a manifest and the disk disagree; and an empty name if its form is wrong."""
    data = manifest.read_bytes()
    try:
        lines = data.decode("utf-8").split("\n")
    except UnicodeDecodeError:
        return {""}
    listed: dict[str, str] = {}
    is_formed = lines[-1] == ""
    for line in lines[:-1]:
        found = _LINE.fullmatch(line)
        if found is None or len(found[1]) != _DIGITS[algorithm] or found[2] in listed:
            is_formed = False
        else:
            listed[found[2]] = found[1]
    wrong = {name for name in {*listed, *actual} if listed.get(name) != actual.get(name)}
    return wrong if is_formed and list(listed) == sorted(listed) else wrong | {""}

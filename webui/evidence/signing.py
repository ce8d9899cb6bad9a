"""Signatures: Ed25519 (RFC 8032) over a package's tag manifest, which covers every other file by its hash.

A key is a pair of PEM files: NAME.key, which stays with its owner, and NAME.pub, which may go anywhere.
"""

import os
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from calib.errors import FileError
from webui.errors import KeyFileError

PRIVATE_ENDING, PUBLIC_ENDING = ".key", ".pub"


def make_key(name: Path, password: str | None = None) -> tuple[Path, Path]:
    """Make a new signing key.

    Parameters
    ----------
    name : Path
        NAME; the two files get its endings.
    password : str, optional
        Encrypts the private file.

    Returns
    -------
    tuple of Path
        The private and the public file.

    Raises
    ------
    FileError
        If one of the files is there already, or cannot be written.
    """
    key = Ed25519PrivateKey.generate()
    encryption: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if password:
        encryption = serialization.BestAvailableEncryption(password.encode())
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, encryption)
    public = key.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    paths = name.with_name(name.name + PRIVATE_ENDING), name.with_name(name.name + PUBLIC_ENDING)
    for path, data, mode in zip(paths, (private, public), (0o600, 0o644), strict=True):
        _write_new(path, data, mode)
    return paths


def load_private_key(path: Path, password: str | None = None) -> Ed25519PrivateKey:
    """Load a private key.

    Raises
    ------
    FileError
        If the file cannot be read.
    KeyFileError
        If it is no private Ed25519 key, or the password is missing or wrong.
    """
    data = _read(path)
    try:
        key = serialization.load_pem_private_key(data, password.encode() if password else None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        msg = f"{path}: no private key that can be opened, or the password is missing or wrong"
        raise KeyFileError(msg) from error
    if not isinstance(key, Ed25519PrivateKey):
        msg = f"{path}: a key of another kind; make an Ed25519 key with the command key"
        raise KeyFileError(msg)
    return key


def load_public_key(path: Path) -> Ed25519PublicKey:
    """Load a public key.

    Raises
    ------
    FileError
        If the file cannot be read.
    KeyFileError
        If it is no public Ed25519 key.
    """
    try:
        key = serialization.load_pem_public_key(_read(path))
    except (ValueError, UnsupportedAlgorithm) as error:
        msg = f"{path}: no public key; give the file that ends in {PUBLIC_ENDING}"
        raise KeyFileError(msg) from error
    if not isinstance(key, Ed25519PublicKey):
        msg = f"{path}: a key of another kind; give the public file of an Ed25519 key"
        raise KeyFileError(msg)
    return key


def public_hex(key: Ed25519PublicKey | Ed25519PrivateKey) -> str:
    """Return the 32 bytes of a public key, hexadecimal."""
    public = key.public_key() if isinstance(key, Ed25519PrivateKey) else key
    return public.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw).hex()


def is_signed_by(signature: bytes, data: bytes, key_hex: str) -> bool:
    """Tell whether a signature over data was made by the owner of a public key."""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(key_hex)).verify(signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def _write_new(path: Path, data: bytes, mode: int) -> None:
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
    except FileExistsError as error:
        msg = f"{path}: is there already; a key is never overwritten, choose another name"
        raise FileError(msg) from error
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror})"
        raise FileError(msg) from error

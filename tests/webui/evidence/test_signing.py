"""Signatures: against the vectors of RFC 8032, and every way in which a key cannot be used."""

import stat
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calib.errors import FileError
from webui.errors import KeyFileError
from webui.evidence import contents as names
from webui.evidence import load_private_key, load_public_key, make_key
from webui.evidence.signing import is_signed_by, public_hex

# RFC 8032, 7.1, TEST 1, TEST 2 and TEST 3: secret key, public key, message, signature.
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
]


@pytest.mark.parametrize("vector", VECTORS, ids=["test 1", "test 2", "test 3"])
def test_signature_agrees_with_rfc_8032(vector: tuple[str, str, str, str]) -> None:
    secret, public, message, signature = vector
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert public_hex(key) == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    assert is_signed_by(bytes.fromhex(signature), bytes.fromhex(message), public)
    assert not is_signed_by(bytes.fromhex(signature), bytes.fromhex(message) + b"x", public)


def test_key_pair_is_written_loaded_and_fits(tmp_path: Path) -> None:
    private, public = make_key(tmp_path / "inspector")
    assert (private.name, public.name) == ("inspector.key", "inspector.pub")
    assert stat.S_IMODE(private.stat().st_mode) == 0o600
    assert public_hex(load_private_key(private)) == public_hex(load_public_key(public))


def test_key_with_a_password_opens_only_with_it(tmp_path: Path) -> None:
    private, _ = make_key(tmp_path / "k", "seam and rivet")
    assert b"ENCRYPTED" in private.read_bytes()
    load_private_key(private, "seam and rivet")
    for password in (None, "rivet"):
        with pytest.raises(KeyFileError, match="the password is missing or wrong"):
            load_private_key(private, password)


def test_key_is_never_overwritten(tmp_path: Path) -> None:
    private, _ = make_key(tmp_path / "k")
    before = private.read_bytes()
    with pytest.raises(FileError, match="is there already; a key is never overwritten"):
        make_key(tmp_path / "k")
    assert private.read_bytes() == before


def test_files_that_are_no_keys_are_refused(tmp_path: Path) -> None:
    private, public = make_key(tmp_path / "k")
    with pytest.raises(KeyFileError, match=r"no public key; give the file that ends in \.pub"):
        load_public_key(private)
    with pytest.raises(KeyFileError, match="no private key"):
        load_private_key(public)
    with pytest.raises(FileError, match="cannot be read"):
        load_public_key(tmp_path / "none.pub")


def test_key_of_another_kind_is_refused(tmp_path: Path) -> None:
    other = generate_private_key(SECP256R1())
    pem, none = serialization.Encoding.PEM, serialization.NoEncryption()
    (tmp_path / "p").write_bytes(other.private_bytes(pem, serialization.PrivateFormat.PKCS8, none))
    public = other.public_key().public_bytes(pem, serialization.PublicFormat.SubjectPublicKeyInfo)
    (tmp_path / "q").write_bytes(public)
    with pytest.raises(KeyFileError, match="a key of another kind"):
        load_private_key(tmp_path / "p")
    with pytest.raises(KeyFileError, match="a key of another kind"):
        load_public_key(tmp_path / "q")


def test_signature_of_a_package_holds_for_openssl(
    package: Path, key: Ed25519PrivateKey, tmp_path: Path
) -> None:
    public = tmp_path / "key.pub"
    public.write_bytes(
        key.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )
    )
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", str(public), "-rawin"]
    command += ["-in", str(package / names.SIGNED), "-sigfile", str(package / names.SIGNATURE)]
    try:
        done = subprocess.run(command, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("openssl is not on this machine")
    assert (done.returncode, done.stdout.strip()) == (0, "Signature Verified Successfully")

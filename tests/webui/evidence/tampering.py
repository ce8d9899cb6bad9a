"""Ways to tamper with a package, each as a forger without the signing key would do it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from webui.evidence import contents as names
from webui.evidence.package import manifest_text


def edit_json(folder: Path, name: str, change: Callable[[Any], None]) -> None:
    """Change a JSON file, then make all hashes fit again."""
    path = folder / name
    record = json.loads(path.read_text(encoding="utf-8"))
    change(record)
    path.write_text(json.dumps(record, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    hash_again(folder)


def hash_again(folder: Path) -> None:
    """Write all manifests of a package anew, and take its signature away."""
    drop_signature(folder)
    payload = sorted(p.relative_to(folder).as_posix() for p in (folder / "data").rglob("*") if p.is_file())
    tags = (names.INFO, names.DECLARATION, *names.MANIFESTS)
    set_oxum(folder, payload)
    for manifests, covered in ((names.MANIFESTS, payload), (names.TAG_MANIFESTS, tags)):
        for algorithm, name in zip(names.ALGORITHMS, manifests, strict=True):
            (folder / name).write_text(manifest_text(folder, algorithm, covered), encoding="utf-8")


def drop_signature(folder: Path) -> None:
    """Take away the signature and the line that says there is one."""
    (folder / names.SIGNATURE).unlink(missing_ok=True)
    info = folder / names.INFO
    kept = [line for line in info.read_text(encoding="utf-8").splitlines() if names.INFO_KEY not in line]
    info.write_text("\n".join(kept) + "\n", encoding="utf-8")


def set_oxum(folder: Path, payload: list[str]) -> None:
    """Let bag-info.txt state the size of the payload as it is (RFC 8493, 2.2.2)."""
    info = folder / names.INFO
    size = sum((folder / name).stat().st_size for name in payload)
    kept = [line for line in info.read_text(encoding="utf-8").splitlines() if "Payload-Oxum" not in line]
    info.write_text("\n".join([*kept, f"Payload-Oxum: {size}.{len(payload)}"]) + "\n", encoding="utf-8")


def flip_bit(path: Path, bit: int) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[bit // 8] ^= 1 << bit % 8
    path.write_bytes(data)

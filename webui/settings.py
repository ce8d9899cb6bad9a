"""How a desk is run: where its data lies, by which names it is called, how large an upload may be."""

from dataclasses import dataclass
from pathlib import Path

# The names under which a browser on this very machine reaches the page.
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of one desk.

    Attributes
    ----------
    data_folder : Path
        Where everything lies; made if it is not there.
    database_url : str or None
        Another database than the SQLite file in the folder.
    trusted_hosts : tuple of str
        Names that a browser may call the page by; empty takes any. A page on loopback must not answer to
        another name, or a stranger's page could speak to it by renaming itself (DNS rebinding).
    needs_accounts : bool
        Whether people must log in even while there is no account.
    is_https : bool
        Whether browsers reach the page by HTTPS: cookies are then never sent without.
    piece_bytes : int
        Largest piece of an upload in one request.
    photo_bytes : int
        Largest photo.
    benches : int
        Processes that answer at once: tiles, snapping, measuring again.
    workers : int
        Processes that do what takes long: measuring, checking, reports, packages.
    """

    data_folder: Path
    database_url: str | None = None
    trusted_hosts: tuple[str, ...] = LOOPBACK_NAMES
    needs_accounts: bool = False
    is_https: bool = False
    piece_bytes: int = 16 * 2**20
    photo_bytes: int = 2**30
    benches: int = 2
    workers: int = 1

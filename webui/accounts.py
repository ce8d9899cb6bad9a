"""Accounts: who may look, who brings photos and picks, who decides; passwords are kept only as hashes."""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError
from werkzeug.security import check_password_hash, generate_password_hash

from webui import database as tables
from webui.errors import NotThereError, StoreError

Role = Literal["reader", "crew", "supervisor"]
# Each may do what the ones before it may.
ROLES: tuple[Role, ...] = ("reader", "crew", "supervisor")

_LONGEST_NAME, _LONGEST_PASSWORD = 80, 1024
# Common practice, no source: long enough against guessing at the rate that log-in allows.
_SHORTEST_PASSWORD = 12
_TOKEN_BYTES = 32
# Memory-hard, with the cost that the library takes by default.
_METHOD = "scrypt"


@dataclass(frozen=True, slots=True)
class Account:
    """One person's account.

    Attributes
    ----------
    name : str
        Stands beside everything that the person does.
    role : {"reader", "crew", "supervisor"}
        What the person may do.
    stamp : str
        Changes with the password; a session that carries another one is over.
    has_token : bool
        Whether a machine may act in the person's name.
    created_utc : str
        Since when.
    """

    name: str
    role: Role
    stamp: str
    has_token: bool
    created_utc: str


class Accounts:
    """The accounts of a data folder.

    Parameters
    ----------
    engine : Engine
        Its database.
    clock : callable, optional
        Gives the present time, aware.
    """

    def __init__(self, engine: sa.Engine, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._engine = engine
        self._clock = clock
        # What a name without account is checked against, so that both take the same time.
        self._no_password = generate_password_hash(secrets.token_hex(), _METHOD)

    def add(self, name: str, role: str, password: str) -> Account:
        """Add an account.

        Raises
        ------
        StoreError
            If the name is taken or empty, the role unknown, or the password too short.
        """
        shown = _checked_name(name)
        row = {
            "key": _key(shown),
            "name": shown,
            "role": _checked_role(role),
            "password_hash": _hashed(password),
            "token_sha256": None,
            "stamp": secrets.token_hex(16),
            "created_utc": self._clock().astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        }
        try:
            with tables.writing(self._engine) as connection:
                connection.execute(sa.insert(tables.accounts), row)
        except IntegrityError as error:
            msg = f"there is an account {shown!r} already; change its password, or choose another name"
            raise StoreError(msg) from error
        return self.find(shown)

    def all(self) -> tuple[Account, ...]:
        """Return all accounts, by name."""
        query = sa.select(tables.accounts).order_by(tables.accounts.c.key)
        with self._engine.connect() as connection:
            return tuple(_account(row) for row in connection.execute(query))

    def any(self) -> bool:
        """Tell whether there is an account."""
        with self._engine.connect() as connection:
            return connection.scalar(sa.select(tables.accounts.c.key).limit(1)) is not None

    def find(self, name: str) -> Account:
        """Return an account.

        Raises
        ------
        NotThereError
            If there is none of that name.
        """
        row = self._row(tables.accounts.c.key == _key(name))
        if row is None:
            msg = f"there is no account {name!r:.80}"
            raise NotThereError(msg)
        return _account(row)

    def remove(self, name: str) -> None:
        """Remove an account; its sessions are over. What the person did stays on record."""
        self.find(name)
        with tables.writing(self._engine) as connection:
            connection.execute(sa.delete(tables.accounts).where(tables.accounts.c.key == _key(name)))

    def set_password(self, name: str, password: str) -> None:
        """Give an account another password; its sessions are over and its token is void."""
        stamp = secrets.token_hex(16)
        self._update(name, password_hash=_hashed(password), stamp=stamp, token_sha256=None)

    def set_role(self, name: str, role: str) -> None:
        """Give an account another role."""
        self._update(name, role=_checked_role(role))

    def make_token(self, name: str) -> str:
        """Return a new token by which a machine acts in the person's name; an older one is void."""
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        self._update(name, token_sha256=_token_hash(token))
        return token

    def check(self, name: str, password: str) -> Account | None:
        """Return the account of a name and password, None if they do not go together."""
        row = self._row(tables.accounts.c.key == _key(name))
        kept = self._no_password if row is None else row.password_hash
        is_right = check_password_hash(kept, password[:_LONGEST_PASSWORD])
        return _account(row) if is_right and row is not None else None

    def by_token(self, token: str) -> Account | None:
        """Return the account of a token, None if it is no valid one."""
        # The token is random and long: its hash needs no salt, and looking it up tells nothing by its time.
        row = self._row(tables.accounts.c.token_sha256 == _token_hash(token))
        return None if row is None else _account(row)

    def by_stamp(self, name: str, stamp: str) -> Account | None:
        """Return the account that a session was begun with, None if its password has changed since."""
        row = self._row(tables.accounts.c.key == _key(name))
        return None if row is None or row.stamp != stamp else _account(row)

    def _row(self, condition: sa.ColumnElement[bool]) -> "sa.Row[tuple[object, ...]] | None":
        with self._engine.connect() as connection:
            return connection.execute(sa.select(tables.accounts).where(condition)).one_or_none()

    def _update(self, name: str, **values: object) -> None:
        self.find(name)
        accounts = tables.accounts
        with tables.writing(self._engine) as connection:
            connection.execute(sa.update(accounts).where(accounts.c.key == _key(name)).values(**values))


def _account(row: "sa.Row[tuple[object, ...]]") -> Account:
    return Account(row.name, row.role, row.stamp, row.token_sha256 is not None, row.created_utc)


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()


def _checked_name(name: str) -> str:
    shown = " ".join(name.split())
    if not 0 < len(shown) <= _LONGEST_NAME or not shown.isprintable():
        msg = f"an account needs a name of 1 to {_LONGEST_NAME} characters"
        raise StoreError(msg)
    return shown


def _checked_role(role: str) -> Role:
    for known in ROLES:
        if role == known:
            return known
    msg = f"roles are {', '.join(ROLES)}, not {role!r:.40}"
    raise StoreError(msg)


def _hashed(password: str) -> str:
    if not _SHORTEST_PASSWORD <= len(password) <= _LONGEST_PASSWORD:
        msg = f"a password needs {_SHORTEST_PASSWORD} characters at least; a few words in a row are good"
        raise StoreError(msg)
    return generate_password_hash(password, _METHOD)


def _token_hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()

"""Who is asking: by log-in, by a machine's token, or, on a desk without accounts, by the name typed once.

A machine on such a desk may give its name in the header X-Who.
"""

from dataclasses import dataclass

from flask import g, request, session
from werkzeug.exceptions import Forbidden, Unauthorized

from webui.accounts import ROLES, Account, Role
from webui.desk import the_desk

LONGEST_WHO = 80
# Who stands in the change log where nobody has typed a name.
NOBODY = "this desk"
WHO_HEADER = "X-Who"


@dataclass(frozen=True, slots=True)
class Person:
    """Who is asking, and what that person may do."""

    name: str
    role: Role

    def may(self, role: Role) -> bool:
        """Tell whether the person may do what a role may."""
        return ROLES.index(self.role) >= ROLES.index(role)


def needs_log_in() -> bool:
    """Tell whether people log in here."""
    desk = the_desk()
    return desk.settings.needs_accounts or desk.accounts.any()


def person() -> Person | None:
    """Return who is asking, None where nobody has logged in who should."""
    if "person" not in g:
        g.person = _find_person()
    found: Person | None = g.person
    return found


def require(role: Role) -> Person:
    """Return who is asking, if that person may do what a role may.

    Raises
    ------
    Unauthorized
        If nobody has logged in who should.
    Forbidden
        If the person has another role.
    """
    who = person()
    if who is None:
        msg = "log in first"
        raise Unauthorized(msg)
    if not who.may(role):
        msg = f"this needs the role {role}; {who.name} is {who.role}"
        raise Forbidden(msg)
    return who


def log_in(name: str, password: str) -> bool:
    """Begin a session; return False where name and password do not go together.

    Raises
    ------
    TooManyTriesError
        If it was tried too often.
    """
    desk = the_desk()
    desk.gate.pass_through(name, request.remote_addr or "")
    account = desk.accounts.check(name, password)
    if account is None:
        return False
    session.clear()
    session["account"], session["stamp"] = account.name, account.stamp
    session.permanent = True
    g.pop("person", None)
    return True


def log_out() -> None:
    """End the session."""
    session.clear()
    g.pop("person", None)


def set_who(name: str) -> None:
    """Keep the name of who works at a desk without accounts."""
    session["who"] = _cleaned(name)
    session.permanent = True
    g.pop("person", None)


def _find_person() -> Person | None:
    account = _by_token() or _by_session()
    if account is not None:
        return Person(account.name, account.role)
    if needs_log_in():
        return None
    # Header values come as Latin-1, whatever was sent (RFC 9110, 5.5).
    given = request.headers.get(WHO_HEADER, "").encode("latin-1", "ignore").decode("utf-8", "ignore")
    name = session.get("who") or _cleaned(given)
    return Person(name or NOBODY, "supervisor")


def _cleaned(name: str) -> str:
    shown = "".join(letter for letter in name if letter.isprintable() or letter.isspace())
    return " ".join(shown.split())[:LONGEST_WHO]


def _by_token() -> Account | None:
    given = request.authorization
    if given is None or given.type != "bearer" or not given.token:
        return None
    return the_desk().accounts.by_token(given.token)


def _by_session() -> Account | None:
    if "account" not in session:
        return None
    return the_desk().accounts.by_stamp(session["account"], session.get("stamp", ""))

"""The command account: who may use a review page that others reach, and what each may do there."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from webui.command_group import CommandGroup
from webui.record_commands import DATA_FOLDER

if TYPE_CHECKING:
    from webui.accounts import Accounts

_ROLES = ("reader", "crew", "supervisor")
_OPTIONS = (
    click.option(
        "--data",
        "data_dir",
        metavar="DIR",
        type=click.Path(path_type=Path, file_okay=False),
        default=DATA_FOLDER,
        show_default=True,
        help="Data folder; made if it is not there.",
    ),
    click.option(
        "--database", "database_url", metavar="URL", help="Its database, where `serve` is given one too."
    ),
)
_password_option = click.option(
    "--password-stdin", is_flag=True, help="Read the password from standard input instead of asking for it."
)


def _in_folder(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


@click.group(
    cls=CommandGroup,
    example="""
ridgewitness account add "R. Vane" --role supervisor
ridgewitness account token "R. Vane"
""",
)
def account() -> None:
    """Say who may use the review page.

    A reader looks; crew also bring photos, pick and mark; a supervisor also sets up, accepts, overrules,
    signs off and archives. Once there is an account, everybody logs in.
    """


@account.command(example='ridgewitness account add "R. Vane" --role crew')
@click.argument("name")
@click.option("--role", type=click.Choice(_ROLES), required=True, help="What the person may do.")
@_password_option
@_in_folder
def add(name: str, role: str, password_stdin: bool, data_dir: Path, database_url: str | None) -> None:
    """Add an account; its name stands beside all that the person does."""
    with _accounts(data_dir, database_url) as accounts:
        added = accounts.add(name, role, _password(password_stdin))
    click.echo(f"{added.name}: {added.role}")


@account.command(name="list", example="ridgewitness account list --data jobs")
@_in_folder
def list_accounts(data_dir: Path, database_url: str | None) -> None:
    """List the accounts."""
    with _accounts(data_dir, database_url) as accounts:
        for each in accounts.all():
            token = ", has a token" if each.has_token else ""
            click.echo(f"{each.name}: {each.role}, since {each.created_utc[:10]}{token}")


@account.command(example='ridgewitness account remove "R. Vane"')
@click.argument("name")
@_in_folder
def remove(name: str, data_dir: Path, database_url: str | None) -> None:
    """Remove an account; what the person did stays on record."""
    with _accounts(data_dir, database_url) as accounts:
        accounts.remove(name)


@account.command(example='ridgewitness account password "R. Vane"')
@click.argument("name")
@_password_option
@_in_folder
def password(name: str, password_stdin: bool, data_dir: Path, database_url: str | None) -> None:
    """Give an account another password; its sessions are over and its token is void."""
    with _accounts(data_dir, database_url) as accounts:
        accounts.find(name)
        accounts.set_password(name, _password(password_stdin))


@account.command(example='ridgewitness account role "R. Vane" supervisor')
@click.argument("name")
@click.argument("role", type=click.Choice(_ROLES))
@_in_folder
def role(name: str, role: str, data_dir: Path, database_url: str | None) -> None:
    """Give an account another role."""
    with _accounts(data_dir, database_url) as accounts:
        accounts.set_role(name, role)


@account.command(example='ridgewitness account token "Office system"')
@click.argument("name")
@_in_folder
def token(name: str, data_dir: Path, database_url: str | None) -> None:
    """Make a token by which a machine acts in the account's name (Authorization: Bearer ...).

    It is shown once; a new one makes the one before void.
    """
    with _accounts(data_dir, database_url) as accounts:
        click.echo(accounts.make_token(name))


def _password(from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    typed: str = click.prompt("password", hide_input=True, confirmation_prompt=True, err=True)
    return typed


@contextmanager
def _accounts(data_dir: Path, database_url: str | None) -> "Iterator[Accounts]":
    from webui.accounts import Accounts
    from webui.store import Store

    with Store(data_dir, database_url) as store:
        yield Accounts(store.engine)

"""The commands that work on a data folder's jobs: report, bundle, verify, key."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.errors import FileError
from webui.arguments import OutputType
from webui.command_group import TaughtCommand
from webui.json_output import write_json

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from webui.job import Privacy
    from webui.store import Store

_FILE = click.Path(path_type=Path)
_FOLDER = click.Path(path_type=Path, file_okay=False)
DATA_FOLDER = "ridgewitness-data"

_data_option = click.option(
    "--data",
    "data_dir",
    metavar="DIR",
    type=_FOLDER,
    default=DATA_FOLDER,
    show_default=True,
    help="Data folder that holds the job.",
)
_PRIVACY_OPTIONS = (
    click.option("--no-gps", is_flag=True, help="Leave out where photos were taken."),
    click.option("--no-names", is_flag=True, help="Leave out who worked on the job."),
    click.option("--no-serials", is_flag=True, help="Leave out the cameras' serial numbers."),
)


def _privacy_options(command: Any) -> Any:
    for option in reversed(_PRIVACY_OPTIONS):
        command = option(command)
    return command


@click.command(cls=TaughtCommand, example='ridgewitness report "Mill Lane 4" --data jobs --out report.pdf')
@click.argument("job")
@click.option("--out", "out_path", metavar="F.pdf", type=OutputType(), required=True, help="PDF to write.")
@_data_option
@_privacy_options
def report(job: str, out_path: Path, data_dir: Path, **withheld: bool) -> None:
    """Write the report of a job, a PDF that an engineer can sign.

    JOB is the job's name or its identifier.
    """
    from webui.privacy import withhold
    from webui.report import write_report
    from webui.terminal import progress_bar

    with _opened(data_dir) as store, progress_bar("close-ups") as progress:
        whole = store.job(store.find_job(job))
        # The pictures in a report carry no metadata of their photos anyway.
        originals = "stripped" if any(withheld.values()) else "whole"
        shown = withhold(whole, _privacy(originals, **withheld))
        write_report(shown, lambda photo: store.originals.path(photo.sha256), out_path, progress)
    click.echo(out_path)


@click.command(
    cls=TaughtCommand,
    example="""
ridgewitness bundle "Mill Lane 4" --data jobs --out evidence --zip evidence.zip
ridgewitness bundle "Mill Lane 4" --out evidence --sign office.key \\
    --no-gps --originals stripped
""",
)
@click.argument("job")
@click.option("--out", "out_dir", metavar="DIR", type=_FOLDER, required=True, help="Folder of the package.")
@_data_option
@click.option("--zip", "zip_path", metavar="F.zip", type=OutputType(), help="Write it as one zip file too.")
@click.option("--sign", "key_path", metavar="NAME.key", type=_FILE, help="Sign it (see the command key).")
@click.option("--ask-password", is_flag=True, help="Ask for the key's password.")
@_privacy_options
@click.option(
    "--originals",
    type=click.Choice(["whole", "stripped", "left out"]),
    default="whole",
    show_default=True,
    help="How the photos go along: stripped of what cameras write into them, or not at all.",
)
def bundle(
    job: str,
    out_dir: Path,
    data_dir: Path,
    zip_path: Path | None,
    key_path: Path | None,
    ask_password: bool,
    originals: Any,
    **withheld: bool,
) -> None:
    """Make the evidence package of a job (a bag, RFC 8493).

    It holds the untouched photos, every record with its schema, the change log and the report, all hashed:
    anybody can check it with the command verify, years later, without this machine. On a terminal it asks
    what goes along, unless an option already says so.
    """
    from webui.evidence import make_package, make_zip
    from webui.terminal import progress_bar

    if _must_ask():
        withheld, originals = _ask_privacy()
    key = None if key_path is None else _private_key(key_path, ask_password)
    with _opened(data_dir) as store, progress_bar("close-ups") as progress:
        make_package(
            store.job(store.find_job(job)),
            lambda photo: store.originals.path(photo.sha256),
            out_dir,
            privacy=_privacy(originals, **withheld),
            key=key,
            progress=progress,
        )
    click.echo(out_dir)
    if zip_path is not None:
        make_zip(out_dir, zip_path)
        click.echo(zip_path)


def _must_ask() -> bool:
    """Say whether a person is there to be asked about privacy, and has not said it by options."""
    context = click.get_current_context()
    given = any(
        context.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT
        for name in ("no_gps", "no_names", "no_serials", "originals")
    )
    return not given and sys.stdin.isatty() and sys.stderr.isatty()


def _ask_privacy() -> tuple[dict[str, bool], str]:
    """Ask what goes along; what is withheld must be taken out of the originals too."""
    questions = {
        "no_gps": "Shall it hold where the photos were taken (GPS)?",
        "no_names": "Shall it hold the names of those who worked on the job?",
        "no_serials": "Shall it hold the cameras' serial numbers?",
    }
    withheld = {name: not click.confirm(text, default=True, err=True) for name, text in questions.items()}
    if not any(withheld.values()):
        return withheld, "whole"
    text = "The photos themselves carry such things. Originals"
    choice = click.Choice(["stripped", "left out"])
    return withheld, click.prompt(text, type=choice, default="stripped", err=True)


def _privacy(originals: Any, *, no_gps: bool, no_names: bool, no_serials: bool) -> "Privacy":
    from webui.job import Privacy

    return Privacy(gps=not no_gps, names=not no_names, serials=not no_serials, originals=originals)


def _private_key(path: Path, ask_password: bool) -> "Ed25519PrivateKey":
    from webui.evidence import load_private_key

    password = click.prompt("password", hide_input=True, err=True) if ask_password else None
    return load_private_key(path, password)


@contextmanager
def _opened(data_dir: Path) -> "Iterator[Store]":
    """Open a data folder that is there; only `demo` and `serve` make new ones."""
    from webui.database import DATABASE_FILE
    from webui.store import Store

    if not (data_dir / DATABASE_FILE).is_file():
        msg = f"{data_dir}: no data folder of ours; name one with --data"
        raise FileError(msg)
    with Store(data_dir) as store:
        yield store


@click.command(cls=TaughtCommand, example="ridgewitness verify evidence --key office.pub")
@click.argument("package", metavar="DIR", type=_FILE)
@click.option("--key", "key_path", metavar="NAME.pub", type=_FILE, help="Who must have signed it.")
@click.option(
    "--json",
    "json_path",
    metavar="FILE",
    type=OutputType(allow_dash=True),
    help="Write the result as JSON to FILE (- is standard output) instead of printing it.",
)
def verify(package: Path, key_path: Path | None, json_path: Path | None) -> int:
    """Check every hash of an evidence package and redo every measurement.

    DIR is the package, or the zip file made of it. Exit codes: 0 all holds, 1 something could not be
    confirmed, 2 something was altered, damaged or does not follow from the photos.
    """
    from webui.evidence import load_public_key, verify_package
    from webui.tables import verification_view
    from webui.terminal import make_console, progress_bar

    key = None if key_path is None else load_public_key(key_path)
    with progress_bar("measuring again") as bar:
        found = verify_package(package, key=key, progress=lambda _, done, total: bar(done, total))
    if json_path is None:
        make_console().print(verification_view(found))
    else:
        write_json(found.record(), json_path)
    return found.exit_code


@click.command(cls=TaughtCommand, example="ridgewitness key office")
@click.argument("name", type=_FILE)
@click.option("--ask-password", is_flag=True, help="Ask for a password and encrypt the private file with it.")
def key(name: Path, ask_password: bool) -> None:
    """Make a key to sign evidence packages with.

    Writes NAME.key, which stays with you, and NAME.pub, which you give to whoever shall check.
    """
    from webui.evidence import make_key

    password = None
    if ask_password:
        password = click.prompt("password", hide_input=True, confirmation_prompt=True, err=True)
    for path in make_key(name, password):
        click.echo(path)


RECORD_COMMANDS = (report, bundle, verify, key)

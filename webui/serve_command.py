"""The command serve: the review page for the people of a job."""

import ipaddress
import logging
import select
import socket
from pathlib import Path

import click

from webui.command_group import TaughtCommand
from webui.record_commands import DATA_FOLDER

PORT = 8765
# Threads that answer; what takes long is done by other processes, so that these mostly wait.
THREADS = 16
# A browser keeps half a dozen connections open, so that this is enough for more than a hundred of them.
CONNECTIONS = 1000


@click.command(
    cls=TaughtCommand,
    example="""
ridgewitness serve                      then open http://127.0.0.1:8765
ridgewitness serve --data jobs --port 9000
ridgewitness serve --host 0.0.0.0       for the office: needs accounts
""",
)
@click.option(
    "--data",
    "data_dir",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    default=DATA_FOLDER,
    show_default=True,
    help="Data folder; made if it is not there.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, help="0 takes any.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Address to listen on; any but this machine's own (loopback) needs accounts.",
)
@click.option(
    "--database",
    "database_url",
    metavar="URL",
    help="PostgreSQL database instead of the SQLite file in DIR: postgresql+psycopg://USER@HOST/NAME.",
)
@click.option("--https", is_flag=True, help="Browsers come by HTTPS, by way of a proxy: for their cookies.")
@click.option(
    "--workers",
    type=click.IntRange(1, 64),
    default=1,
    show_default=True,
    help="Processes that measure, check and write reports; beside two for what is asked on the page.",
)
def serve(data_dir: Path, port: int, host: str, database_url: str | None, https: bool, workers: int) -> None:
    """Start the review page, for browsers on this machine or in the office.

    Jobs, photos and everything decided lie in DIR; the server may be stopped at any moment, nothing that it
    acknowledged is lost. On this machine's own address it needs no log-in; on any other one it needs accounts
    (see: ridgewitness account).
    """
    from waitress.server import create_server

    from webui.app import create_app
    from webui.desk import desk_of
    from webui.folder_lock import folder_lock
    from webui.settings import LOOPBACK_NAMES, Settings

    # That requests wait for one of the threads is no news: it shows in how long they take.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    is_own = _is_loopback(host)
    settings = Settings(
        data_dir,
        database_url,
        LOOPBACK_NAMES if is_own else (),
        needs_accounts=not is_own,
        is_https=https,
        workers=workers,
    )
    with _listening(host, port) as listener, folder_lock(data_dir):
        app = create_app(settings)
        desk = desk_of(app)
        if not is_own and not desk.accounts.any():
            desk.close()
            msg = f"{host} is reached by others, so that people must log in; first: ridgewitness account add"
            raise click.UsageError(msg)
        server = create_server(
            app,
            sockets=[listener],
            threads=THREADS,
            connection_limit=CONNECTIONS,
            # Unlike select, it knows no highest descriptor; Windows has none.
            asyncore_use_poll=hasattr(select, "poll"),
            ident=None,
        )
        desk.begin_work()
        click.echo(f"http://{_shown(host)}:{listener.getsockname()[1]}  (Ctrl+C stops it)")
        try:
            server.run()
        finally:
            desk.close()


def _listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens, before anything else is done: an address in use shows at once."""
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host.strip("[]"), port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server(address[:2], family=family)
    except OSError as error:
        reason = str(error.strerror).partition(" (")[0]
        msg = f"{host}, port {port}: cannot be listened on ({reason}); choose another with --port"
        raise click.UsageError(msg) from error


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"

"""A real server in a process of its own, and a real browser, for the tests of the pages."""

import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from urllib.error import URLError

_START = "from webui.cli import main; main()"
_ROOT = Path(__file__).resolve().parents[2]
# Below those that a system gives to whoever connects: while the server is down, nobody else takes its port.
_PORTS = range(20_000, 32_000)
# Debian's browser, and what others call theirs.
BROWSERS = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")


def find_browser() -> str | None:
    """Return the program of an installed browser, None if there is none."""
    return next((path for name in BROWSERS if (path := shutil.which(name)) is not None), None)


class ServedDesk:
    """A data folder with its server: started, killed, started again at the same address."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._port = _free_port()
        self._process: subprocess.Popen[str] | None = None
        self.start()

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://127.0.0.1:{self._port}"

    def start(self) -> None:
        """Start the server and wait until it answers."""
        options = ["--data", str(self.folder), "--port", str(self._port)]
        command = [sys.executable, "-c", _START, "serve", *options]
        self._process = subprocess.Popen(
            command,
            cwd=_ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        told = self._process.stdout.readline()
        if not told.startswith(self.url):
            self.kill()
            msg = f"the server did not start on {self.url}; it said {told!r}, and why on its standard error"
            raise AssertionError(msg)
        self._wait()

    def kill(self) -> None:
        """End the server without a warning, its workers with it."""
        assert self._process is not None
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._process = None

    def close(self) -> None:
        """End the server."""
        if self._process is not None:
            self.kill()

    def _wait(self) -> None:
        for _ in range(100):
            try:
                with urllib.request.urlopen(self.url, timeout=5):  # noqa: S310  our own server
                    return
            except (URLError, ConnectionError):
                time.sleep(0.1)
        raise AssertionError(self.url)


def _free_port() -> int:
    for port in random.sample(_PORTS, 50):
        with socket.socket() as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError(_PORTS)

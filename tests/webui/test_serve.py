"""The command serve under load: it says where it is, and nothing else."""

import os
import signal
import socket
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

from webui.serve_command import THREADS

_START = "from webui.cli import main; main()"
_ROOT = Path(__file__).resolve().parents[2]
_REQUEST = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"


def test_server_with_more_clients_than_threads_says_nothing_of_it(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _START, "serve", "--data", str(tmp_path / "data"), "--port", "0"]
    with subprocess.Popen(
        command,
        cwd=_ROOT,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as server:
        assert server.stdout is not None
        port = int(server.stdout.readline().split()[0].rsplit(":", 1)[1])
        with ExitStack() as stack:
            # All ask before the first is answered to its end.
            address = ("127.0.0.1", port)
            clients = [stack.enter_context(socket.create_connection(address)) for _ in range(12 * THREADS)]
            for client in clients:
                client.sendall(_REQUEST)
            answers = [client.makefile("rb").readline() for client in clients]
        server.send_signal(signal.SIGINT)
        _, told = server.communicate(timeout=60)
    assert {answer.split()[1] for answer in answers} == {b"200"}
    assert told == ""

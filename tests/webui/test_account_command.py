"""Accounts by command, and a server that others reach only with them."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.browser.desk import ServedDesk

ROOT = Path(__file__).resolve().parents[2]
MAIN = "from webui.cli import main; main()"


def _run(*arguments: str, typed: str = "") -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-c", MAIN, *arguments],
        cwd=ROOT,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        input=typed,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture
def account(tmp_path):
    def run(*arguments: str, typed: str = "") -> "subprocess.CompletedProcess[str]":
        return _run("account", *arguments, "--data", str(tmp_path / "data"), typed=typed)

    return run


def test_account_is_added_listed_changed_and_removed(account):
    password = ("--password-stdin",)
    added = account("add", "R. Vane", "--role", "crew", *password, typed="a long enough pass phrase\n")
    assert (added.returncode, added.stdout) == (0, "R. Vane: crew\n")
    assert account("role", "R. Vane", "supervisor").returncode == 0
    assert account("list").stdout.startswith("R. Vane: supervisor, since ")
    token = account("token", "R. Vane")
    assert len(token.stdout.strip()) >= 32
    assert account("list").stdout.rstrip().endswith("has a token")
    assert account("remove", "R. Vane").returncode == 0
    assert account("list").stdout == ""


@pytest.mark.parametrize("arguments", [("remove", "Nobody"), ("role", "Nobody", "crew"), ("token", "Nobody")])
def test_account_that_is_not_there_is_said_in_a_line(account, arguments):
    done = account(*arguments)
    assert done.returncode == 2
    assert "Nobody" in done.stderr
    assert "Traceback" not in done.stderr


def test_server_that_others_reach_is_refused_without_accounts(tmp_path):
    done = _run("serve", "--data", str(tmp_path / "data"), "--host", "0.0.0.0", "--port", "0")  # noqa: S104
    assert done.returncode == 2
    assert "ridgewitness account add" in done.stderr


def test_second_server_on_a_data_folder_is_refused(tmp_path):
    desk = ServedDesk(tmp_path / "data")
    try:
        done = _run("serve", "--data", str(tmp_path / "data"), "--port", "0")
    finally:
        desk.close()
    assert done.returncode == 2
    assert "another server works on this data folder" in done.stderr

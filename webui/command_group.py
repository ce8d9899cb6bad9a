"""What all commands share: help that shows examples, and one place where an error becomes a line.

Exit codes: 0 done, 1 something asked for could not be measured, 2 bad input.
"""

import sys
from collections.abc import Iterable, Sequence
from typing import Any, NoReturn

import click

from calib.errors import MeasureError

NOT_MEASURED, BAD_INPUT, STOPPED = 1, 2, 130


class TaughtCommand(click.Command):
    """A command whose help shows examples as typed, and what can hurt someone."""

    def __init__(self, *args: Any, example: str = "", **extra: Any) -> None:
        super().__init__(*args, **extra)
        self._example = example.strip("\n").splitlines()

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the help text, then the examples line by line."""
        super().format_help_text(ctx, formatter)
        with formatter.section("Example"):
            for line in self._example:
                formatter.write(f"{'':{formatter.current_indent}}{line}".rstrip() + "\n")


class CommandGroup(TaughtCommand, click.Group):
    """The one place where an error becomes a line or two on standard error and an exit code."""

    command_class = TaughtCommand

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of a job."""
        return list(self.commands)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command and leave with its exit code."""
        try:
            code = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except click.UsageError as error:
            command = error.ctx.command_path if error.ctx else "ridgewitness"
            _leave(BAD_INPUT, f"error: {error.format_message()}", f"try: {command} --help")
        except (click.ClickException, MeasureError) as error:
            _leave(BAD_INPUT, f"error: {error}")
        except ImportError as error:
            _leave(BAD_INPUT, f"error: not everything is installed ({error})", "see: README.md, Set-up")
        except click.Abort:
            _leave(STOPPED, "stopped")
        if standalone_mode:
            sys.exit(code or 0)
        return code


def _leave(code: int, *lines: str) -> NoReturn:
    complain(lines)
    sys.exit(code)


def complain(lines: Iterable[str]) -> None:
    """Say something on standard error, each sentence on a line of its own."""
    for line in lines:
        click.echo(" ".join(line.split()), err=True)

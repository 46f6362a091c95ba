"""The ``echotrial`` command: each subcommand lives in a module of its own, imported when called."""

import atexit
import gc
import importlib
import sys
import warnings
from typing import Any

import click

from echotrial import __version__
from echotrial.errors import EchotrialError, nearest

#: command -> module (which has a click command of the same name), one-line help
COMMANDS = {
    "run": ("echotrial.cli.run", "Put detectors on trial over corpora."),
    "compare": ("echotrial.cli.compare", "Say whether one trial is worse than another."),
    "guard": ("echotrial.cli.guard", "Fail where accuracy is worse than a baseline (for CI)."),
    "show": ("echotrial.cli.show", "Show a trial again, or one record of it."),
    "corpus": ("echotrial.cli.corpus", "Build, import, check, list and show corpora."),
    "choose": ("echotrial.cli.choose", "Find the approach that holds on a set-up."),
    "calibrate": ("echotrial.cli.calibrate", "Calibrate a method on reference samples."),
    "measure": ("echotrial.cli.measure", "Read new recordings with a method."),
    "setup": ("echotrial.cli.setup", "Write a set-up file, and see what it allows."),
    "detector": ("echotrial.cli.detector", "List, check and begin detectors."),
    "schema": ("echotrial.cli.schema", "Describe what --json prints, as JSON Schema."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they run, so that help costs nothing."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands, in the order in which a newcomer needs them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of a command and hand out its click command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, but name the nearest command for a wrong one."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            ctx.fail(f"no command '{args[0]}': {nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table alone, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def cli() -> None:
    """Put echo-detection algorithms on trial for ultrasonic thickness measurement of thin walls.

    Exit codes: 0 fine; 1 the answer is no; 2 the question was wrong; 3 incomplete or out of reach.
    """


def _formatted(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    line: str | None = None,
) -> str:
    """A warning for the user as one line; any other as Python shows it."""
    if category is UserWarning:
        return f"echotrial: warning: {message}\n"
    return _formatted_by_python(message, category, filename, lineno, line)


_formatted_by_python = warnings.formatwarning


def main(arguments: list[str] | None = None) -> Any:
    """Entry point: run a command; an error becomes one message and its exit code."""
    warnings.formatwarning = _formatted
    gc.set_threshold(20_000, 10, 10)  # imports and tables make a million objects, and few cycles
    atexit.register(gc.freeze)  # the system takes all of them back: no last search for cycles
    try:
        code = cli.main(args=arguments, standalone_mode=False)
    except EchotrialError as error:
        click.echo(f"echotrial: {error}", err=True)
        code = error.exit_code
    except click.ClickException as error:
        error.show()
        code = 2
    except (click.Abort, KeyboardInterrupt):
        click.echo("echotrial: stopped by the user", err=True)
        code = 130
    sys.exit(code if isinstance(code, int) else 0)

"""The command line: which commands there are. Each lives in commands/ and is imported only when it is asked for."""

from __future__ import annotations

import errno
import importlib
import os
import sys

import click

from handsfree import __version__
from handsfree.core.errors import UserError
from handsfree.quiet import one_thread

COMMANDS = {
    "agree": "How far two records of a session agree.",
    "align": "Where a session lies in a video, by its sound.",
    "backup": "Write the log to one file, checked.",
    "demo": "Watch a made-up training session being heard, counted and answered.",
    "devices": "List microphones and sound outputs.",
    "dogs": "List the dogs, or archive one.",
    "export": "Write sessions for other programs.",
    "forget": "List kept sound, or remove it.",
    "handover": "Write pages for the family that takes a dog over.",
    "hear": "What the ear makes of recordings, one JSON line a word.",
    "merge": "Add the sessions of another log.",
    "plan": "Make or check the plan of a dog.",
    "progress": "How a dog gets on over days.",
    "replay": "What other rules or another ear would have decided.",
    "restore": "Put back what a backup holds.",
    "review": "Go through the reps of a session and correct them.",
    "session": "Run a training session: count reps, speak up when the plan's rules say so.",
    "soundcheck": "Measure noise and voice, then try each word of the plan.",
    "summary": "What happened in a session.",
    "words": "Teach the ear how you say the words of a plan.",
    "tomorrow": "Propose short sessions for tomorrow.",
}
"""Name -> the line in the list of commands (a test holds it equal to the first line of the command's own help)."""


class LazyGroup(click.Group):
    """Imports a command's module only to run it, so that `handsfree --help` is quick."""

    def list_commands(self, context: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"handsfree.commands.{name}")
        command: click.Command = getattr(module, name)
        return command

    def resolve_command(
        self, context: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f"did you mean `{near[0]}`?" if near else f"there are: {', '.join(sorted(COMMANDS))}"
            raise UserError(f"no command {args[0]!r}; {hint}")
        return super().resolve_command(context, args)

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="handsfree")
def handsfree() -> None:
    """Hands-free session clicker and rep counter for dog trainers.

    Listens to your own cue and marker words, offline; counts every rep; says in your ear when to make it easier, to
    stop, or to go on.

    \b
    Example:
      handsfree demo
      handsfree plan new bruno.toml
      handsfree session bruno.toml
    """


def main(args: list[str] | None = None) -> None:
    """Run the command line. A UserError becomes one line on stderr and exit code 2."""
    _ready_output()
    one_thread()
    try:
        code = handsfree.main(args=args, prog_name="handsfree", standalone_mode=False)
        sys.stdout.flush()
        sys.exit(code if isinstance(code, int) else 0)
    except UserError as error:
        click.echo(f"handsfree: {error}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        sys.exit(_refuse(error))
    except (click.Abort, KeyboardInterrupt):
        click.echo("handsfree: stopped", err=True)
        sys.exit(130)
    except BrokenPipeError:
        _drop_output()
        sys.exit(1)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        _drop_output()
        click.echo("handsfree: the disk is full; free some space and run this again", err=True)
        sys.exit(2)


def _ready_output() -> None:
    """Print whatever the place can show, rather than fail: it may be closed, or know none but English letters."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _drop_output() -> None:
    """Nobody takes what is printed any more; Python would complain about the rest of it at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse(error: click.ClickException) -> int:
    """One line for a command line that cannot be understood; the whole help where the program was called bare."""
    context = getattr(error, "ctx", None)
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        error.show()
    else:
        words = " ".join(error.format_message().rstrip(".").split())
        remedy = f"; see `{context.command_path} --help`" if context else ""
        click.echo(f"handsfree: {words[:1].lower()}{words[1:]}{remedy}", err=True)
    return error.exit_code


if __name__ == "__main__":
    main()

"""`handsfree plan`: make a plan, check a plan."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from handsfree.core.plan import Plan
    from handsfree.edges.planfile import Fault, Question
    from handsfree.edges.promptbook import PromptBook

MOST_WAYS = 3
"""Of saying a phrase, shown in the list."""


@click.group()
def plan() -> None:
    """Make or check the plan of a dog.

    \b
    Example:
      handsfree plan new tarn.toml
      handsfree plan check tarn.toml
    """


@plan.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dog", help="The dog's name.")
@click.option("--handler", help="Your name.")
@click.option("--behaviour", "behaviours", multiple=True, help='As "sit: sit, sit down"; may be given several times.')
@click.option("--marker", help="The word that marks a correct response.")
@click.option("--error", help="The word for a wrong response.")
@click.option("--release", help="The word that ends a stay.")
@click.option("--address", help="The word with which you speak to this program.")
@click.option("--keep-sound", help='What sound to keep: "around reps", all or nothing.')
@click.option("--from", "source", type=click.Path(path_type=Path), help="Another plan, to go on with.")
@click.option("--log", type=click.Path(path_type=Path), help="With --from: the log that says where the dog stands.")
def new(file: Path, source: Path | None, log: Path | None, **given: Any) -> None:
    """Ask a few questions and write a plan that explains itself.

    With --dog and --behaviour nothing is asked. A tag stands in brackets after a behaviour's name: duration, handling
    or guarding. An existing file is never overwritten.

    With --from another plan is taken over: a family goes on with it, with other voices (--handler) and words of its own
    (--marker ...). Each behaviour begins at the step that the dog has reached.

    \b
    Example:
      handsfree plan new tarn.toml
      handsfree plan new tarn.toml --dog Tarn --behaviour "sit: sit, sit down"
      handsfree plan new at-home.toml --from tarn.toml --handler Ida
    """
    from handsfree.core.errors import UserError
    from handsfree.edges import planfile
    from handsfree.listening import pronouncer

    planfile.ready(file)
    if source is not None:
        _take_over(file, source, log, given)
        return
    if log is not None:
        raise UserError("--log: only together with --from")
    ask = not (given["dog"] and given["behaviours"])
    answers = {}
    for question in planfile.questions():
        if given[question.key]:
            answers[question.key] = _read(question, given[question.key])
        elif ask:
            answers[question.key] = _ask(question, answers, file)
    warnings = planfile.new(file, planfile.Answers(**answers), pronouncer, _prompts)
    click.echo(f"{file} written. Look through it, then try it: handsfree soundcheck {file}")
    _say_what_is_kept(planfile.load(file))
    _print_faults("Warnings", warnings)


@plan.command(short_help="Name every fault of a plan, and show all settings.")
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Name every fault of a plan, show what is listened for, and all settings.

    Exit code 0 when the plan can be used (warnings allowed), 2 when not.

    \b
    Example:
      handsfree plan check tarn.toml
    """
    from handsfree.edges import planfile
    from handsfree.listening import pronouncer

    faults = planfile.check(file, pronouncer, _prompts)
    errors = [fault for fault in faults if fault.severity is planfile.Severity.ERROR]
    warnings = [fault for fault in faults if fault.severity is planfile.Severity.WARNING]
    click.echo(f"{file}: {_count(errors, 'error')}, {_count(warnings, 'warning')}")
    _print_faults("Errors", errors)
    _print_faults("Warnings", warnings)
    if errors:
        sys.exit(2)
    the_plan = planfile.load(file)
    _print_table("Listening for", ("phrase", "what it is", "sounds like"), _listened_for(the_plan))
    _print_table("Settings", ("key", "value", "from"), planfile.settings(the_plan))


def _take_over(file: Path, source: Path, log: Path | None, given: Mapping[str, Any]) -> None:
    """A plan made of another one, its steps those that the dog has reached by the log."""
    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.edges import planfile
    from handsfree.edges.store import Store
    from handsfree.listening import pronouncer

    if given["behaviours"]:
        raise UserError("--behaviour: with --from they are those of the other plan; change them in the new file")
    changes = {
        question.key: _read(question, given[question.key])
        for question in planfile.questions()
        if not question.many and given[question.key]
    }
    dog = planfile.load(source).dog
    steps: dict[str, int] = {}
    if changes.get("dog", dog) == dog and (log or places.default_log().exists()):
        with Store.open(log or places.default_log(), read_only=True) as store:
            steps = store.current_steps(dog)
    warnings = planfile.copy(file, source, changes, steps, pronouncer, _prompts)
    made = planfile.load(file)
    click.echo(f"{file} written, from {source}. Try it: handsfree soundcheck {file}")
    if steps:
        reached = ", ".join(f"{one.name} {one.start_step}" for one in made.behaviours if one.name in steps)
        click.echo(f"steps that {dog} has reached: {reached}")
    else:
        click.echo(f"No step was taken from a log: each behaviour begins at the one that {source} says.")
    _say_what_is_kept(made)
    _print_faults("Warnings", warnings)


def _say_what_is_kept(made: Plan) -> None:
    from handsfree import keeping, places

    click.echo(f"In sessions with it, {keeping.in_words(made.sound, places.sound_dir())}.")


def _read(question: Question, given: Any) -> Any:
    """What a flag says."""
    from handsfree.core.errors import UserError

    try:
        return tuple(question.read(text) for text in given) if question.many else question.read(given)
    except UserError as error:
        raise UserError(f"--{question.key.removesuffix('s').replace('_', '-')}: {error}") from None


def _ask(question: Question, answers: Mapping[str, Any], file: Path) -> Any:
    """Ask until the answer is clear, and goes together with the earlier ones."""
    from handsfree.core.errors import UserError
    from handsfree.core.plan import KeepSound
    from handsfree.edges import planfile
    from handsfree.edges.planfile.questions import BEHAVIOUR_HELP, MORE_TEXT, TAKE_BACK

    found: list[Any] = []

    def clear(text: str) -> Any:
        try:
            value = question.read(text)
            if question.many:
                so_far = planfile.Answers(**answers, behaviours=(*found, value))
                planfile.draft(file, so_far, prompts_for=_prompts)
            elif not isinstance(value, KeepSound) and value in answers.values():
                raise UserError("you gave this word already")
        except UserError as error:
            raise click.BadParameter(str(error)) from None
        return value

    def further(text: str) -> Any:
        word = text.strip().lower()
        return word if word in ("", TAKE_BACK) else clear(text)

    if not question.many:
        return click.prompt(question.text, question.default, value_proc=clear, show_default=bool(question.default))
    for line in BEHAVIOUR_HELP:
        click.echo(f"  {line}")
    while True:
        if not found:
            found.append(click.prompt(question.text, value_proc=clear))
        more = click.prompt(MORE_TEXT, "", value_proc=further, show_default=False)
        if more == TAKE_BACK:
            click.echo(f"  taken back: {found.pop().name}")
        elif more:
            found.append(more)
        else:
            return tuple(found)


def _prompts(language: str) -> PromptBook:
    from handsfree import places
    from handsfree.edges.promptbook import load_prompts

    return load_prompts(language, places.shipped("prompts"))


def _listened_for(plan: Plan) -> Iterator[tuple[str, str, str]]:
    """Phrase, role, and how it is expected to sound."""
    from handsfree.core.events import Role
    from handsfree.core.phones import plain
    from handsfree.core.vocabulary import Vocabulary
    from handsfree.listening import pronouncer

    how_said = None if plan.ear.model else pronouncer(plan)
    meanings = Vocabulary(plan, _prompts(plan.prompts.language).instructions).meanings
    for phrase, meaning in sorted(meanings.items(), key=lambda item: list(Role).index(item[1].role)):
        what = meaning.role.value
        if meaning.instruction is not None:
            what = "instruction"
        elif meaning.behaviour is not None and meaning.behaviour != phrase:
            what = f"{what} of {meaning.behaviour}"
        ways = list(dict.fromkeys(map(plain, how_said.phrase(phrase).phones))) if how_said else []
        yield phrase, what, " or ".join(ways[: 1 if meaning.instruction else MOST_WAYS])


def _print_faults(title: str, faults: list[Fault]) -> None:
    """One line a fault; on a terminal, folded to its width."""
    if not faults:
        return
    import shutil
    import textwrap

    click.echo()
    click.secho(title, bold=True)
    width = shutil.get_terminal_size().columns
    for fault in faults:
        line = str(fault)
        if sys.stdout.isatty():
            line = textwrap.fill(line, width, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
        click.echo(line)


def _print_table(title: str, heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*heads, box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.columns[0].no_wrap = True
    for row in rows:
        table.add_row(*map(Text, row), style="dim" if row[-1] == "default" else "")
    click.echo()
    click.secho(title, bold=True)
    Console().print(table)


def _count(faults: list[Fault], name: str) -> str:
    return f"{len(faults) or 'no'} {name}{'' if len(faults) == 1 else 's'}"

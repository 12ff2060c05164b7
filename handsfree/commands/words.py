"""`handsfree words`: teach the ear how you say the words of a plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from handsfree.core.voice import LEAST_TAKES, USUAL_TAKES

if TYPE_CHECKING:
    from handsfree.core.events import AudioBlock
    from handsfree.core.plan import Plan
    from handsfree.core.voice import OwnVoice
    from handsfree.learning import InUse, Result, Takes
    from handsfree.takes import TakeFinder


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--from", "recording", type=click.Path(path_type=Path), help="Takes from a recording, or from a folder.")
@click.option("--from-corrections", "corrections", is_flag=True, help="Takes from sessions that you corrected.")
@click.option(
    "--takes", type=click.IntRange(LEAST_TAKES, 20), default=USUAL_TAKES, show_default=True, help="Of each word."
)
@click.option("--only", multiple=True, help="This word only; may be given several times.")
@click.option("--again", is_flag=True, help="Learn once more from the takes that were kept.")
@click.option("--show", is_flag=True, help="Show what was learnt.")
@click.option("--forget", is_flag=True, help="Remove what was learnt, takes included.")
@click.option("--device", help="Microphone, by number or by words of its name (see `handsfree devices`).")
@click.option("--output", help="Where you are asked, likewise.")
@click.option("--log", type=click.Path(path_type=Path), help="Of those sessions. [default: the log sessions write to]")
def words(
    plan: Path,
    recording: Path | None,
    corrections: bool,
    takes: int,
    only: tuple[str, ...],
    again: bool,
    show: bool,
    forget: bool,
    device: str | None,
    output: str | None,
    log: Path | None,
) -> None:
    """Teach the ear how you say the words of a plan.

    A voice asks for each word; you say it a few times, hands free, with a pause after each. Then the ear learns, which
    takes a minute or two, and is tried on takes that were held back from it. Only if it hears those better is it
    adopted: it lies in a folder beside the plan, and sessions use it by themselves.

    A recording must hold the words in the order of `plan check`, each said at least three times before the next; a
    folder holds a recording a word, named after it, such as "leave it.wav". With --only, takes of the other words that
    were kept are learnt from as well.

    With --from-corrections the takes are in the sound kept of sessions that you went through with `handsfree review`:
    words that were missed or taken for another, and those that were heard rightly. Earlier takes are learnt from too.

    \b
    Example:
      handsfree words bruno.toml
      handsfree words bruno.toml --from takes.wav
      handsfree words bruno.toml --from-corrections
      handsfree words bruno.toml --forget
    """
    from handsfree.core.errors import UserError
    from handsfree.edges import planfile, voicefolder

    if sum((forget, show, again, corrections, recording is not None)) > 1:
        raise UserError("choose one of --from, --from-corrections, --again, --show and --forget")
    folder = voicefolder.folder_of(plan)
    if forget:
        gone = voicefolder.forget(folder)
        click.echo(f"{folder} removed; the ear listens as it did before" if gone else f"nothing was learnt for {plan}")
        return
    the_plan = planfile.load(plan)
    if show:
        voice = voicefolder.read_voice(folder)
        if voice is None:
            raise UserError(f"nothing was learnt for {plan}; `handsfree words {plan}` asks for your words")
        _print_words(voice)
        return
    if the_plan.ear.model:
        raise UserError(f"{plan}: only our own ear can learn, and the plan names another; remove `model` under [ear]")
    _learn(plan, the_plan, folder, recording, corrections, takes, only, again, device, output, log)


def _learn(
    path: Path,
    plan: Plan,
    folder: Path,
    recording: Path | None,
    corrections: bool,
    times: int,
    only: tuple[str, ...],
    again: bool,
    device: str | None,
    output: str | None,
    log: Path | None,
) -> None:
    from datetime import datetime

    from handsfree.core.errors import UserError
    from handsfree.edges import voicefolder
    from handsfree.edges.report.words import many
    from handsfree.learning import Teacher
    from handsfree.takes import TakeFinder, takes_from

    kept: Takes = voicefolder.read_takes(folder)
    mistaken: Takes = voicefolder.read_takes(folder, voicefolder.MISTAKEN)
    teacher = Teacher(plan, tell=click.echo)
    phrases = teacher.phrases(only)
    finder = TakeFinder(teacher.learner, {phrase: teacher.usual_ways(phrase) for phrase in phrases})
    found: Takes
    in_use: InUse | None = None
    said: Takes | None = None
    if again:
        found = {}
    elif corrections:
        found, mistaken, in_use = _from_corrections(path, plan, log, finder, phrases, kept, mistaken)
    elif recording is not None:
        found = takes_from(recording, finder, phrases, times, _tell)
    else:
        found = said = _ask(plan, phrases, times, finder.fits, device, output)
    known = teacher.phrases(())
    found = {phrase: some for phrase, some in kept.items() if phrase in known} | dict(found)
    if not found:
        raise UserError(f"no takes were kept beside {path}; run this without --again")
    click.echo(f"{many(len(found), 'word')}, {many(sum(map(len, found.values())), 'take')}")
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    with voicefolder.spared(path, said, _tell) if said else nullcontext():
        result = teacher.learn(found, now, mistaken, in_use)
        click.echo()
        _print_words(result.voice)
        click.echo()
        _print_verdict(result)
        if result.won:
            voicefolder.write_voice(folder, result.voice, found, result.write, mistaken)
    if result.won:
        click.echo(f"Adopted: sessions with {path.name} listen for your voice from now on ({folder.name}).")
        click.echo(f"`handsfree words {path} --forget` undoes it.")
    else:
        click.echo("Not adopted: your held-back takes would be heard no better. Nothing was changed.")


def _from_corrections(
    path: Path,
    plan: Plan,
    log: Path | None,
    finder: TakeFinder,
    phrases: list[str],
    kept: Takes,
    mistaken: Takes,
) -> tuple[Takes, Takes, InUse | None]:
    """Takes and mistaken sounds to learn from, kept ones among them, and the ear in use. Raises UserError."""
    from handsfree import listening, places
    from handsfree.core.errors import UserError
    from handsfree.corrected import add_to, takes_from_corrections
    from handsfree.edges.store import Store
    from handsfree.learning import InUse

    with Store.open(log or places.default_log(), read_only=True) as store:
        found = takes_from_corrections(store, plan, finder, phrases)
    click.echo(found)
    (older, new), (known, wrongly) = add_to(kept, found.takes), add_to(mistaken, found.mistaken)
    if not any((*new.values(), *wrongly.values())):
        raise UserError("all of it was learnt from before; correct another session first")
    takes = {phrase: older[phrase] + some for phrase, some in new.items()}
    lacking = [phrase for phrase, some in takes.items() if len(some) < LEAST_TAKES]
    for phrase in lacking:
        _tell_too_few(phrase, len(takes.pop(phrase)))
    if not takes:
        raise UserError("no word has enough takes; correct more sessions, or say your words: `handsfree words PLAN`")
    learnt = listening.own_voice(path, plan, lambda line: None)
    mistakes = {phrase: known[phrase] + some for phrase, some in wrongly.items()}
    return takes, mistakes, InUse(learnt, older) if learnt else None


def _ask(
    plan: Plan,
    phrases: list[str],
    times: int,
    fits: Callable[..., float],
    device: str | None,
    output: str | None,
) -> Takes:
    """Takes from the microphone. Raises UserError where no word was said often enough."""
    from handsfree import listening
    from handsfree.core.asking import Asking
    from handsfree.core.devices import find_device
    from handsfree.core.errors import UserError
    from handsfree.edges.audio import list_devices, microphone
    from handsfree.taking import ask_for_takes
    from handsfree.voicing import Aloud

    book = listening.prompt_book(plan.prompts.language)
    with ExitStack() as stack:
        chosen = find_device(list_devices(), device, "input")
        texts = book.asking_texts(phrases, times)
        voice = stack.enter_context(Aloud(book, plan, output, _tell, texts))
        blocks = stack.enter_context(microphone(chosen.number))
        click.echo(f"Microphone: {chosen.name}. {len(phrases)} words, each {times} times, with a pause after each.")
        click.echo("A word that you leave out is asked for once more and then passed over. Ctrl-C leaves.")
        asking = Asking(phrases, times)
        takes = ask_for_takes(
            asking, _until_lost(blocks), voice, lambda phrase, one: fits(phrase, one) >= 0, click.echo
        )
    enough = {phrase: some for phrase, some in takes.items() if len(some) >= LEAST_TAKES}
    for phrase in phrases:
        if phrase not in enough:
            _tell_too_few(phrase, len(takes.get(phrase, ())))
    if not enough:
        raise UserError("no word was said often enough; try the microphone with `handsfree soundcheck`")
    return enough


def _until_lost(blocks: Iterator[AudioBlock]) -> Iterator[AudioBlock]:
    """The takes so far are learnt from when the microphone goes."""
    from handsfree.edges.audio import MicrophoneLost

    try:
        yield from blocks
    except MicrophoneLost as lost:
        _tell(str(lost))


def _print_words(voice: OwnVoice) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from handsfree.core.phones import plain

    table = Table("word", "takes", "heard before", "now", "said as", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.columns[0].no_wrap = True
    for phrase, word in voice.words.items():
        counts = (f"{count} of {word.takes}" for count in (word.before, word.after))
        said = " or ".join(dict.fromkeys(map(plain, word.ways))) or "as before"
        table.add_row(*map(Text, (phrase, str(word.takes), *counts, said)))
    Console().print(table)
    risky = {phrase: word for phrase, word in voice.words.items() if word.risk}
    if risky:
        click.echo("\nMay be mixed up:")
    for phrase, word in risky.items():
        click.echo(f"  {phrase}: {word.risk}")
        if word.better:
            click.echo(f"    told apart more easily: {', '.join(word.better)}")


def _print_verdict(result: Result) -> None:
    from handsfree.edges.report.words import many

    before, after = result.before, result.after
    click.echo(f"Of {before.takes} takes held back, before and now:")
    click.echo(f"  missed           {before.takes - before.right:3} {after.takes - after.right:3}")
    click.echo(f"  taken for another{before.wrong:3} {after.wrong:3}")
    if before.mistaken or after.mistaken:
        click.echo(f"Words that sessions heard and you had not said: {before.mistaken} and {after.mistaken}.")
    click.echo(f"In talk of other people, words that are not said: {before.false} and {after.false}.")
    if result.new is not None:
        in_use, learnt = result.new
        click.echo(
            f"Of {many(learnt.takes, 'take')} new to the ear that you use now, mistakes before and now: "
            f"{in_use.errors} and {learnt.errors}."
        )


def _tell_too_few(phrase: str, count: int) -> None:
    from handsfree.edges.report.words import many

    _tell(f'"{phrase}": {many(count, "take")}, {LEAST_TAKES} are needed, so it stays as it was')


def _tell(line: str) -> None:
    click.echo(f"handsfree: {line}", err=True)

"""`handsfree soundcheck`: is this microphone, in this room, good enough for this plan?"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

if TYPE_CHECKING:
    from handsfree.core.events import AudioBlock
    from handsfree.core.vocabulary import Vocabulary
    from handsfree.edges.level import LevelMeter
    from handsfree.hearing import Hearing

QUIET_S = 3.0
PATIENCE_S = 6.0


class Verdict(NamedTuple):
    """What became of a phrase: whether it would count in a session, and in words."""

    counts: bool
    words: str


NOT_HEARD = Verdict(False, "not heard")


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--device", help="Microphone, by number or by words of its name (see `handsfree devices`).")
@click.option("--from", "recording", type=click.Path(path_type=Path), help="Check this recording, not a microphone.")
@click.option("--model", type=click.Path(path_type=Path), help="A stock Vosk model directory instead of our own ear.")
def soundcheck(plan: Path, device: str | None, recording: Path | None, model: Path | None) -> None:
    """Measure noise and voice, then try each word of the plan.

    Stay quiet for the first three seconds, then say each word when asked; it tells whether it was heard. With --from,
    the recording is measured and searched for every word instead.
    Speech is measured as active speech level after ITU-T P.56.

    \b
    Example:
      handsfree soundcheck bruno.toml --device headset
    """
    from handsfree.edges import planfile
    from handsfree.edges.audio import microphone, read_file
    from handsfree.edges.level import LevelMeter
    from handsfree.hearing import Hearing
    from handsfree.listening import own_voice

    the_plan = planfile.load(plan)
    learnt = None if model else own_voice(plan, the_plan, lambda line: click.echo(f"handsfree: {line}", err=True))
    hearing = Hearing(the_plan, model, learnt)
    meter = LevelMeter()
    with ExitStack() as stack:
        if recording is not None:
            blocks = _metered(read_file(recording, note=lambda line: click.echo(f"handsfree: {line}", err=True)), meter)
            heard = _search(hearing, blocks)
        else:
            blocks = _metered(stack.enter_context(microphone(device)), meter)
            heard = _ask(hearing, blocks)
        _report(heard, meter)


def _metered(blocks: Iterator[AudioBlock], meter: LevelMeter) -> Iterator[AudioBlock]:
    for block in blocks:
        meter.feed(block.pcm)
        yield block


def _asked_for(vocabulary: Vocabulary) -> list[str]:
    """What is said in a session: everything but praise and names, and one spoken instruction for all."""
    from handsfree.core.events import Instruction, Role

    return [
        phrase
        for phrase, meaning in vocabulary.meanings.items()
        if meaning.role not in (Role.PRAISE, Role.NAME, Role.INSTRUCTION) or meaning.instruction is Instruction.TIME
    ]


def _search(hearing: Hearing, blocks: Iterator[AudioBlock]) -> dict[str, Verdict]:
    """Phrase -> what became of it in the recording."""
    from handsfree.core.events import HeardWord, SessionEvent

    best: dict[str, tuple[bool, float]] = {}
    for one in hearing.words(blocks):
        if not isinstance(one, HeardWord):
            found = (isinstance(one, SessionEvent), one.word.confidence)
            best[one.word.text] = max(best.get(one.word.text, (False, 0.0)), found)
    return {
        phrase: _verdict(*best[phrase]) if phrase in best else NOT_HEARD for phrase in _asked_for(hearing.vocabulary)
    }


def _verdict(accepted: bool, confidence: float) -> Verdict:
    sure = f"{confidence:.0%} sure"
    return Verdict(accepted, f"heard, {sure}" if accepted else f"heard, but would not count ({sure})")


def _ask(hearing: Hearing, blocks: Iterator[AudioBlock]) -> dict[str, Verdict]:
    """The same, asking for one phrase after the other."""
    from handsfree.core.events import OTHER_SPEECH, Ignored, SessionEvent
    from handsfree.core.vocabulary import Memory

    click.echo(f"Quiet please, for {QUIET_S:.0f} seconds. Then say each word; you have {PATIENCE_S:.0f} s for it.")
    click.echo("Ctrl-C leaves.")
    recogniser = hearing.recogniser()
    now_s = 0.0
    heard: dict[str, Verdict] = {}
    memory = Memory()
    waiting = iter(_asked_for(hearing.vocabulary))
    phrase, asked_s, other = "", QUIET_S, ""
    for block in blocks:
        now_s = block.start_s + block.duration_s
        results: list[SessionEvent | Ignored] = []
        for breath in recogniser.feed(block):
            memory, understood = hearing.vocabulary.understand(memory, breath)
            results += [one for one in understood if one.word.end_s > asked_s]
            if any(word.text == OTHER_SPEECH and word.end_s > asked_s for word in breath.words):
                other = "something else"
        hit = next((one for one in results if one.word.text == phrase), None)
        other = next((f"“{one.word.text}”" for one in results if one.word.text != phrase), other)
        if phrase and hit is not None:
            heard[phrase] = _verdict(isinstance(hit, SessionEvent), hit.word.confidence)
        elif phrase and now_s - asked_s > PATIENCE_S:
            heard[phrase] = Verdict(False, f"not heard; {other} was") if other else NOT_HEARD
        elif phrase or now_s < QUIET_S:
            continue
        if phrase:
            click.echo(f"    {heard[phrase].words}")
        phrase, asked_s, other = next(waiting, ""), now_s, ""
        if not phrase:
            return heard
        click.echo(f"Say: {phrase}")
    return heard


def _report(heard: dict[str, Verdict], meter: LevelMeter) -> None:
    from handsfree.core.levels import advice

    reading = meter.reading()
    click.echo()
    width = max(map(len, heard), default=0)
    for phrase, verdict in heard.items():
        click.echo(f"  {phrase:<{width}}  {verdict.words}")
    click.echo()
    for name, level in (("noise", reading.noise_db), ("voice", reading.speech_db), ("peak", reading.peak_db)):
        click.echo(f"  {name:<5} {f'{level:6.1f} dB' if level is not None else '     –'}")
    click.echo(f"  clipped samples {reading.clipped}")
    missed = [phrase for phrase, verdict in heard.items() if not verdict.counts]
    for line in advice(reading.noise_db, reading.speech_db, reading.peak_db, reading.clipped):
        click.echo(f"  ! {line}")
    if missed:
        click.echo(f"  ! not heard well: {', '.join(missed)}; `handsfree plan check` says how the ear expects them")
    else:
        click.echo("  all words heard")

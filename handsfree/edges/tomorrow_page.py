"""A proposed day in a terminal, from 80 columns on; reads the same in black and white."""

from __future__ import annotations

from collections.abc import Mapping

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from handsfree.core import food
from handsfree.core.events import Instruction
from handsfree.core.plan import Plan, Tag
from handsfree.core.tomorrow import DayPlan, Line, Part, Session

CAUTIONS = (
    "Puppies tire fast: stop while it goes well, rest between sessions, and skip one that does not suit the day.",
    "Handling: one opt-out means stop, not try again. A sudden change may be pain: see a vet.",
    "Growling, freezing, snapping, guarding or a bite: stop and give the dog space. A vet first, then a licensed "
    "behaviour professional.",
)


def show(day: DayPlan, console: Console, instructions: Mapping[Instruction, str]) -> None:
    """Print the proposal. `instructions`: how the trainer asks for a step up or down."""
    count = f"{len(day.sessions)} short session{'' if len(day.sessions) == 1 else 's'}" if day.sessions else "a day off"
    console.print(Text.assemble((day.plan.dog, "bold"), f"  {day.day:%A} {day.day.day} {day.day:%B %Y}: {count}"))
    for number, session in enumerate(day.sessions, start=1):
        console.print()
        console.print(Text.assemble((f"Session {number}", "bold"), f"  {_length(session, day.plan)}"))
        for line in session.lines:
            _show_line(line, day.plan, console, instructions)
        if [line.part for line in session.lines] == [Part.MIDDLE]:
            _say(console, "nothing else goes well yet: begin and end with what the dog offers by itself", 2, 2)
    for title, some in (
        ("Rest", day.rest),
        ("No room that day", day.waiting),
        ("Known, and not due yet", day.known),
    ):
        if some:
            console.print()
            console.print(Text(title, "bold"))
            for one in some:
                _say(console, f"{one.behaviour.name}: {one.why}", 2, 4)
    console.print()
    console.print(Text("Treats", "bold"))
    for said in _treats(day):
        _say(console, said, 2, 2)
    if day.in_future:
        console.print()
        _say(console, "The log holds sessions of that day or later: check the date of this computer.", 0, 0)
    console.print()
    for caution in CAUTIONS:
        console.print(Text(caution, "dim"))


def _length(session: Session, plan: Plan) -> str:
    took = "" if session.seconds is None else f"about {max(1, round(session.seconds / 60))} min; "
    if not session.handling:
        return f"{took}any time of the day"
    gap = plan.day.meal_gap_min
    if not plan.day.meals:
        return f"{took}handling; write meals under [day] of the plan, and it will be kept apart from them"
    spans = ", ".join(f"{_clock(meal, -gap)} to {_clock(meal, gap)}" for meal in plan.day.meals)
    return f"{took}handling, apart from meals: not {spans}"


def _clock(meal: str, minutes: int) -> str:
    hours, rest = divmod((60 * int(meal[:2]) + int(meal[3:]) + minutes) % 1440, 60)
    return f"{hours:02d}:{rest:02d}"


def _show_line(line: Line, plan: Plan, console: Console, instructions: Mapping[Instruction, str]) -> None:
    one = line.standing
    step = f"step {line.step}: {one.behaviour.steps[line.step - 1]}"
    said = Text.assemble(f"{line.reps} x ", (one.behaviour.name, "bold"), f", {step}")
    console.print(Padding(said, (0, 0, 0, 2)))
    _say(console, f"{line.part}: {line.why}", 6, 6)
    if one.was is not None and one.was != line.step:
        move = Instruction.NEXT_STEP if line.step > one.was else Instruction.STEP_BACK
        times = abs(line.step - one.was)
        often = "" if times == 1 else f" {times} times"
        _say(
            console, f'the log has step {one.was}: say "{plan.words.address}, {instructions[move]}"{often} first', 6, 6
        )
    if one.behaviour.tag is Tag.HANDLING and line.step < len(one.behaviour.steps):
        _say(console, "do not go further up that day, however well it goes", 6, 6)


def _treats(day: DayPlan) -> list[str]:
    asks = f"This day asks for {day.reps} if every rep is right."
    if day.budget is None:
        return [asks, f"No budget: add {food.missing(day.plan.food)} under [food] of the plan."]
    budget = day.budget
    ration = f"{100 * budget.share:.0f} % of {budget.ration:.0f} {budget.unit} a day"
    if budget.estimated:
        weight, factor = day.plan.food.weight_kg, day.plan.food.energy_factor
        ration += f" (estimated: 70 x {weight:g} kg^0.75 at rest, x {factor:g})"
    lines = [f"At most {budget.treats}: {ration}, {budget.each:g} {budget.unit} each. {asks}"]
    if day.cut_reps:
        lines.append(
            f"{day.cut_reps} reps were left out to stay within that. To train more, weigh a meal and pay from it."
        )
    lines.append("Guidance only: dogs of one weight differ threefold. Your vet decides.")
    return lines


def _say(console: Console, said: str, first: int, rest: int) -> None:
    """A paragraph whose first line is indented by `first`, the others by `rest`."""
    width = console.width - rest
    for number, line in enumerate(Text(said).wrap(console, width)):
        console.print(Padding(line, (0, 0, 0, rest if number else first)))

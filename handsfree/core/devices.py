"""Which sound device is meant. Pure: the list comes from the edge that knows the hardware."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from handsfree.core.errors import UserError

Direction = Literal["input", "output"]
_WORD = {"input": "microphone", "output": "sound output"}


@dataclass(frozen=True, slots=True)
class Device:
    """One sound device as the system lists it. `host` is the system's sound interface that offers it.

    inputs, outputs   channels each way; 0 = cannot
    rate              its own sample rate, Hz
    """

    number: int
    name: str
    host: str
    inputs: int
    outputs: int
    rate: int
    default_input: bool = False
    default_output: bool = False

    def can(self, direction: Direction) -> bool:
        return (self.inputs if direction == "input" else self.outputs) > 0

    def is_default(self, direction: Direction) -> bool:
        return self.default_input if direction == "input" else self.default_output


def find_device(devices: Sequence[Device], wanted: str | int | None, direction: Direction) -> Device:
    """The device meant by a number, by words of its name (any case, any order), or None for the system's default.

    Where several interfaces of the system list the same hardware (the rule on Windows), the interface of the default
    device is preferred. Raises UserError with the candidates when none or several match.
    """
    usable = [d for d in devices if d.can(direction)]
    if not usable:
        raise UserError(f"no {_WORD[direction]} found: plug one in and start again (`handsfree devices` lists them)")
    default = next((d for d in usable if d.is_default(direction)), None)
    if wanted is None or wanted == "":
        return default or usable[0]
    text = str(wanted).strip().lower()
    if text.isdigit():
        for device in usable:
            if device.number == int(text):
                return device
        raise UserError(f"no {_WORD[direction]} has number {text}; there are: {_listed(usable)}")
    matching = [d for d in usable if all(word in d.name.lower() for word in text.split())]
    exact = [d for d in matching if d.name.lower() == text]
    for found in (matching, exact, _same_host(matching, default), _same_host(exact, default)):
        if len(found) == 1:
            return found[0]
    if not matching:
        raise UserError(f"no {_WORD[direction]} is called {text!r}; there are: {_listed(usable)}")
    raise UserError(f"{text!r} could be several devices; give the number of one: {_listed(matching)}")


def _same_host(devices: Sequence[Device], other: Device | None) -> list[Device]:
    return [d for d in devices if other and d.host == other.host]


def _listed(devices: Sequence[Device]) -> str:
    return ", ".join(f"{d.number} = {d.name} ({d.host})" for d in devices)

"""Kaldi's nnet3 acoustic models: read one, change its weights, write it again. What is not weights is kept to the byte.

Formats: Kaldi's binary conventions (https://kaldi-asr.org/doc/io.html), CompressedMatrix (compressed-matrix.h) and the
network's own description (https://kaldi-asr.org/doc/dnn3_code_data_types.html).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError

Array = npt.NDArray[np.float32]

WEIGHTS, BIAS = ("<LinearParams>", "<Params>"), "<BiasParams>"


@dataclass(frozen=True)
class Component:
    """One layer's numbers: (token, value) in the file's order. Numbers that are no array stay raw bytes."""

    name: str
    kind: str
    fields: tuple[tuple[str, bytes | Array], ...]

    def array(self, *tokens: str) -> Array | None:
        """The matrix or vector under one of these tokens."""
        return next((value for token, value in self.fields if token in tokens and not isinstance(value, bytes)), None)


@dataclass(frozen=True)
class Model:
    """A whole final.mdl. `head` is what stands before the network, `tail` what follows; `lines` describe its nodes."""

    head: bytes
    lines: tuple[str, ...]
    components: tuple[Component, ...]
    tail: bytes

    def with_arrays(self, changed: dict[str, tuple[Array, Array | None]]) -> Model:
        """The same with other weights and biases: name of a component -> (weights, bias or None)."""
        return replace(self, components=tuple(_changed(c, changed.get(c.name)) for c in self.components))


def _changed(component: Component, arrays: tuple[Array, Array | None] | None) -> Component:
    if arrays is None:
        return component
    weights, bias = arrays
    fields = [
        (token, weights if token in WEIGHTS else bias if token == BIAS and bias is not None else value)
        for token, value in component.fields
    ]
    return replace(component, fields=tuple(fields))


def read(path: Path) -> Model:
    """Raises UserError where the file is no nnet3 model that can be read."""
    try:
        return _Reader(path.read_bytes()).model()
    except OSError as error:
        raise UserError(f"{path} cannot be read ({error.strerror}); install handsfree again") from error
    except (struct.error, ValueError, UnicodeDecodeError, IndexError) as error:
        raise UserError(f"{path} is damaged or no nnet3 model; install handsfree again") from error


def to_bytes(model: Model) -> bytes:
    """As Kaldi reads it. Weights are stored in two bytes each, biases in four."""
    parts = [model.head, b"<Nnet3> \n", "".join(line + "\n" for line in model.lines).encode(), b"\n"]
    parts += [b"<NumComponents> ", struct.pack("<bi", 4, len(model.components))]
    for component in model.components:
        parts.append(f"<ComponentName> {component.name} <{component.kind}> ".encode())
        for token, value in component.fields:
            parts.append(token.encode() + b" ")
            parts.append(value if isinstance(value, bytes) else _matrix(value) if value.ndim == 2 else _vector(value))
        parts.append(f"</{component.kind}> ".encode())
    return b"".join([*parts, model.tail])


def _vector(values: Array) -> bytes:
    return b"FV " + struct.pack("<bi", 4, len(values)) + values.astype("<f4").tobytes()


def _matrix(values: Array) -> bytes:
    """CompressedMatrix, two bytes: 65,536 even steps from the smallest value to the largest."""
    low = float(values.min())
    span = float(values.max()) - low or 1.0
    steps = np.round((values.astype(np.float64) - low) / span * 65535).astype("<u2")
    return b"CM2 " + struct.pack("<ffii", low, span, *values.shape) + steps.tobytes()


class _Reader:
    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def model(self) -> Model:
        begin = self._data.index(b"<Nnet3> ")
        self._at = begin + len(b"<Nnet3> ") + 1
        end = self._data.index(b"\n\n", self._at)
        lines = tuple(self._data[self._at : end].decode().splitlines())
        self._at = end + 2
        self._expect("<NumComponents>")
        (count,) = struct.unpack_from("<xi", self._data, self._at)
        self._at += 5
        components = tuple(self._component() for _ in range(count))
        tail = self._data[self._at :]
        if not tail.startswith(b"</Nnet3> "):
            raise ValueError("no end of the network")
        return Model(self._data[:begin], lines, components, tail)

    def _component(self) -> Component:
        self._expect("<ComponentName>")
        name, kind = self._token(), self._token().strip("<>")
        fields: list[tuple[str, bytes | Array]] = []
        while (token := self._token()) != f"</{kind}>":
            fields.append((token, self._value()))
        return Component(name, kind, tuple(fields))

    def _token(self) -> str:
        end = self._data.index(b" ", self._at)
        token = self._data[self._at : end].decode()
        self._at = end + 1
        return token

    def _expect(self, token: str) -> None:
        if self._token() != token:
            raise ValueError(f"no {token}")

    def _value(self) -> bytes | Array:
        """What follows a token: an array, or the raw bytes of numbers, up to the next token."""
        for mark, read_array in _ARRAYS.items():
            if self._data.startswith(mark, self._at):
                self._at += len(mark)
                values, self._at = read_array(self._data, self._at)
                return values
        start = self._at
        while self._data[self._at : self._at + 1] != b"<":
            self._at += {4: 5, 8: 9, 0xFC: 5, ord("T"): 1, ord("F"): 1}[self._data[self._at]]
        return self._data[start : self._at]


def _read_vector(data: bytes, at: int) -> tuple[Array, int]:
    (count,) = struct.unpack_from("<xi", data, at)
    return _numbers(data, at + 5, "<f4", count).astype(np.float32), at + 5 + 4 * count


def _read_matrix(data: bytes, at: int) -> tuple[Array, int]:
    rows, columns = struct.unpack_from("<xixi", data, at)
    values = _numbers(data, at + 10, "<f4", rows * columns).astype(np.float32)
    return values.reshape(rows, columns), at + 10 + 4 * rows * columns


def _read_steps(size: int, data: bytes, at: int) -> tuple[Array, int]:
    low, span, rows, columns = struct.unpack_from("<ffii", data, at)
    steps = _numbers(data, at + 16, f"<u{size}", rows * columns).astype(np.float32)
    values = low + steps * (span / (256**size - 1))
    return values.astype(np.float32).reshape(rows, columns), at + 16 + size * rows * columns


def _read_columns(data: bytes, at: int) -> tuple[Array, int]:
    """One byte a number, between percentiles kept for each column."""
    low, span, rows, columns = struct.unpack_from("<ffii", data, at)
    marks = low + span / 65535 * _numbers(data, at + 16, "<u2", 4 * columns).reshape(columns, 4).astype(np.float64)
    steps = _numbers(data, at + 16 + 8 * columns, "u1", rows * columns).reshape(columns, rows)
    values = np.stack(
        [np.interp(s, (0, 64, 192, 255), m) for s, m in zip(steps.astype(np.float64), marks, strict=True)], 1
    )
    return values.astype(np.float32), at + 16 + 8 * columns + rows * columns


def _numbers(data: bytes, at: int, kind: str, count: int) -> npt.NDArray[np.generic]:
    return np.frombuffer(data, kind, count, at)


_ARRAYS = {
    b"FV ": _read_vector,
    b"FM ": _read_matrix,
    b"CM2 ": lambda data, at: _read_steps(2, data, at),
    b"CM3 ": lambda data, at: _read_steps(1, data, at),
    b"CM ": _read_columns,
}


def node_lines(lines: Sequence[str]) -> list[dict[str, str]]:
    """Each line of the description as its settings, `kind` among them: "component-node", "output-node" ..."""
    nodes = []
    for line in lines:
        kind, *settings = line.split(maxsplit=1)
        rest, node = settings[0] if settings else "", {"kind": kind}
        while rest:
            key, _, rest = rest.partition("=")
            ends = [i for i, c in enumerate(rest) if c == " " and rest[:i].count("(") == rest[:i].count(")")]
            end = ends[0] if ends else len(rest)
            node[key.strip()], rest = rest[:end], rest[end:].strip()
        nodes.append(node)
    return nodes

"""Where one recording lies in another: offset and clock drift, with numpy.

video time = stretch * session time + shift_s. Both methods collect points (session time, video time) that may belong
together, most of them wrong, and look for the line that most of them lie on: a stretch near 1 and any shift.

By words: every word heard in one against every same word heard in the other. By sound: the session's speech envelope in
windows, each against the whole of the video's by normalised cross-correlation; the best few places of each count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock

Floats = npt.NDArray[np.float64]

MOST_DRIFT = 250e-6
"""Two clocks differ by no more than this. Quartz keeps within 100 parts in a million (common practice, no source)."""

NEAR_S = 0.1
"""A point this far from the line does not lie on it."""

LEAST_WORDS, LEAST_WINDOWS = 8, 5
"""Fewer points on the line are no proof."""

CLEARLY_MORE = 2
"""The line must hold so many times the points of any other that is not its neighbour."""

FRAME_S = 0.01
WINDOWS, SHORTEST_WINDOW_S, LONGEST_WINDOW_S = 12, 5.0, 30.0
PLACES = 3
"""Places in the video that are kept of each window."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """video time = stretch * session time + shift_s.

    on_line   points (words or windows) that the line holds
    of        how many the session has inside the video
    rival     points on the next best line
    spread_s  root mean square distance of the points from the line
    """

    shift_s: float
    stretch: float
    on_line: int
    of: int
    rival: int
    spread_s: float
    what: str

    @property
    def drift_ppm(self) -> float:
        """How much faster the video's clock runs, in parts in a million."""
        return (self.stretch - 1) * 1e6


Words = Sequence[tuple[str, float]]
"""(word, start in seconds) of each heard word."""


def by_words(session: Words, video: Words, video_s: float) -> Alignment:
    """Align by the words heard in both; `video_s` is the length of the video. Raises UserError below confidence."""
    starts: dict[str, list[float]] = {}
    for word, start_s in video:
        starts.setdefault(word, []).append(start_s)
    points = [(start_s, other_s) for word, start_s in session for other_s in starts.get(word, ())]
    times = np.array([start_s for _, start_s in session])
    return _surely(points, times, video_s, LEAST_WORDS, "words")


def by_sound(session: Floats, video: Floats) -> Alignment:
    """Align by the speech envelopes (see `envelope`) of both recordings. Raises UserError below confidence."""
    window_s = float(np.clip(len(session) * FRAME_S / WINDOWS, SHORTEST_WINDOW_S, LONGEST_WINDOW_S))
    size = round(window_s / FRAME_S)
    if len(session) < size or len(video) < size:
        raise UserError(f"a recording of less than {SHORTEST_WINDOW_S:g} s is too short to align; use a longer one")
    heard, searched = _levelled(session), _levelled(video)
    length = 1 << (len(searched) + size - 1).bit_length()
    spectrum = np.fft.rfft(searched, length)
    squares = np.concatenate([[0.0], np.cumsum(searched**2)])
    power = np.sqrt(np.maximum(squares[size:] - squares[:-size], 1e-9))
    points, middles = [], []
    for first in range(0, len(heard) - size + 1, size):
        window = heard[first : first + size]
        norm = np.linalg.norm(window)
        if norm < 1e-6:
            continue  # digital silence
        product = np.fft.irfft(np.conj(np.fft.rfft(window, length)) * spectrum, length)
        score = product[: len(power)] / (power * norm)
        middles.append((first + size / 2) * FRAME_S)
        points += [(middles[-1], middles[-1] + (place - first) * FRAME_S) for place in _peaks(score)]
    return _surely(points, np.array(middles), len(video) * FRAME_S, LEAST_WINDOWS, "windows")


def envelope(blocks: Iterable[AudioBlock]) -> Floats:
    """Log energy of each 10 ms, shape (n,); higher frequencies raised, as speech stands out there from rumble."""
    size = round(FRAME_S * SAMPLE_RATE)
    found, rest = [], np.zeros(0)
    for block in blocks:
        new = np.frombuffer(block.pcm, "<i2").astype(np.float64)
        lost = np.zeros(round(block.lost_s * SAMPLE_RATE))
        rest = np.concatenate([rest, lost, new])
        whole = len(rest) // size * size
        frames = rest[:whole].reshape(-1, size)
        found.append(np.mean(np.diff(frames, axis=1) ** 2, axis=1))
        rest = rest[whole:]
    energy = np.concatenate([*found, np.zeros(0)])
    return np.log(energy + max(float(np.median(energy)) if len(energy) else 0.0, 1.0))


def _levelled(level: Floats) -> Floats:
    """Without what changes over more than a second: gain, noise, distance."""
    width = round(1.0 / FRAME_S)
    padded = np.pad(level, (width // 2, width - 1 - width // 2), mode="edge")
    mean = np.convolve(padded, np.full(width, 1 / width), mode="valid")
    flat: Floats = level - mean
    return flat


def _peaks(score: Floats) -> list[float]:
    """Places (in frames, between frames by a parabola) of the highest few maxima, half a second apart at least."""
    found: list[float] = []
    left = score.copy()
    apart = round(0.5 / FRAME_S)
    for _ in range(PLACES):
        top = int(np.argmax(left))
        if not np.isfinite(left[top]):
            break
        shift = 0.0
        if 0 < top < len(score) - 1:
            before, at, after = score[top - 1 : top + 2]
            bend = before - 2 * at + after
            shift = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0
        found.append(top + shift)
        left[max(0, top - apart) : top + apart] = -np.inf
    return found


def _surely(points: Sequence[tuple[float, float]], times: Floats, video_s: float, least: int, what: str) -> Alignment:
    """The line through the points, if it is beyond doubt. `times`: session times that could have had a point."""
    if not points:
        raise UserError(f"no {what} of the session were found in the video; is it the right one?")
    session, video = np.array(points).T
    shift_s, stretch, _ = _best_line(session, video)
    for _ in range(3):
        near = np.abs(video - stretch * session - shift_s) <= NEAR_S
        if len(set(session[near])) >= least:
            shift_s, stretch = _fit(session[near], video[near])
    near = np.abs(video - stretch * session - shift_s) <= NEAR_S
    on_line = len(set(session[near]))
    elsewhere = np.abs(video - stretch * session - shift_s) > 5 * NEAR_S
    rival = _best_line(session[elsewhere], video[elsewhere])[2] if elsewhere.any() else 0
    landed = stretch * times + shift_s
    inside = int(np.count_nonzero((landed >= 0) & (landed <= video_s)))
    if on_line < least or on_line < CLEARLY_MORE * rival:
        raise UserError(
            f"the video does not fit the session surely enough: {on_line} of {len(times)} {what} lie on one line "
            f"(at least {least} must), {rival} on the next best; is it the right video, and is its sound clear?"
        )
    spread_s = float(np.sqrt(np.mean((video - stretch * session - shift_s)[near] ** 2)))
    return Alignment(float(shift_s), float(stretch), on_line, max(inside, on_line), rival, spread_s, what)


def _best_line(session: Floats, video: Floats) -> tuple[float, float, int]:
    """Shift, stretch and number of points of the line with most points, to about NEAR_S."""
    reach_s = max(float(np.ptp(session)), 1.0)
    steps = int(np.ceil(MOST_DRIFT * reach_s / (NEAR_S / 2)))
    best = (0.0, 1.0, 0)
    for drift in np.linspace(-MOST_DRIFT, MOST_DRIFT, 2 * steps + 1):
        shifts = np.sort(video - (1 + drift) * session)
        counts = np.searchsorted(shifts, shifts + 2 * NEAR_S, "right") - np.arange(len(shifts))
        top = int(np.argmax(counts))
        if counts[top] > best[2]:
            best = (float(np.median(shifts[top : top + counts[top]])), 1 + float(drift), int(counts[top]))
    return best


def _fit(session: Floats, video: Floats) -> tuple[float, float]:
    """Least squares; the drift is held to what clocks do."""
    middle = session.mean()
    around = session - middle
    slope = float(around @ (video - session) / (around @ around)) if np.any(around) else 0.0
    slope = float(np.clip(slope, -MOST_DRIFT, MOST_DRIFT))
    return float((video - session).mean() - slope * middle), 1 + slope

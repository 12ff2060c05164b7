"""Session time as m:ss: the program and the review page write it alike."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.core.clock import clock


@pytest.mark.parametrize(
    ("at_s", "digits", "shown"),
    [
        (0.0, 0, "0:00"),
        (59.999, 0, "0:59"),
        (85.4, 0, "1:25"),
        (85.4, 1, "1:25.4"),
        (85.3, 1, "1:25.3"),
        (4.35, 2, "0:04.35"),
        (59.96, 1, "0:59.9"),
        (3725.0, 0, "62:05"),
        (-0.4, 0, "0:00"),
        (-65.4, 1, "-1:05.4"),
    ],
)
def test_times(at_s: float, digits: int, shown: str) -> None:
    assert clock(at_s, digits) == shown


@given(st.integers(0, 4 * 3600 * 100))
def test_what_is_shown_is_the_time(hundredths: int) -> None:
    minutes, seconds = clock(hundredths / 100, 2).split(":")
    assert len(seconds) == 5
    assert float(seconds) < 60
    assert round(100 * (60 * int(minutes) + float(seconds))) == hundredths

"""Session time as it is shown everywhere: minutes and seconds."""

from __future__ import annotations


def clock(at_s: float, digits: int = 0) -> str:
    """Session time, seconds, as m:ss with so many digits behind the point; what is left over is cut off."""
    parts = 10**digits
    units = int(abs(at_s) * parts + 1e-6)  # 4.35 x 100 is a little less than 435
    minutes, rest = divmod(units, 60 * parts)
    return f"{'-' if at_s < 0 and units else ''}{minutes}:{rest / parts:0{2 + digits + bool(digits)}.{digits}f}"

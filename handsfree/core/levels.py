"""What sound levels mean for a trainer. All in dB relative to full scale."""

from __future__ import annotations

LOUDEST_PEAK_DB = -3.0
"""Above this, a shout will clip (common practice of audio engineers, no source)."""
QUIETEST_SPEECH_DB = -40.0
LEAST_DISTANCE_DB = 15.0
"""Our choice: dishes and running water 10 to 20 dB below the voice cost 11 to 15 reps in 100 (bench of sessions)."""


def advice(noise_db: float | None, speech_db: float | None, peak_db: float, clipped: int) -> list[str]:
    """What to change before a session, a line each; empty when all is well."""
    lines = []
    if speech_db is None:
        lines.append("no speech was heard: is it the right microphone, and is it switched on?")
    elif speech_db < QUIETEST_SPEECH_DB:
        lines.append("your voice is quiet: move the microphone nearer or turn its level up")
    if clipped:
        lines.append("the sound is clipped: turn the microphone's level down")
    elif peak_db > LOUDEST_PEAK_DB:
        lines.append("the loudest moments nearly clip: turn the microphone's level down a little")
    if noise_db is not None and speech_db is not None and speech_db - noise_db < LEAST_DISTANCE_DB:
        lines.append("the room is loud beside your voice: a nearer microphone helps more than a louder voice")
    return lines

"""Sound in: recordings and microphones -> AudioBlocks of 16 kHz mono int16.

Session time is counted in samples, plus the sound known to be lost; never wall time.
"""

from handsfree.edges.audio.files import read_file
from handsfree.edges.audio.microphone import MicrophoneLost, list_devices, microphone

__all__ = ["MicrophoneLost", "list_devices", "microphone", "read_file"]

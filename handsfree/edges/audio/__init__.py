"""Sound in and out: recordings and microphones -> AudioBlocks of 16 kHz mono int16; prompts and tones -> headset.

Session time is counted in samples, plus the sound known to be lost; never wall time.
"""

from handsfree.edges.audio.files import read_file
from handsfree.edges.audio.microphone import MicrophoneLost, microphone
from handsfree.edges.audio.player import NoPlayer, Player, tone
from handsfree.edges.audio.portaudio import list_devices

__all__ = ["MicrophoneLost", "NoPlayer", "Player", "list_devices", "microphone", "read_file", "tone"]

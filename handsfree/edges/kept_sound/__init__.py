"""Sound kept with sessions: Ogg files with Opus (RFC 7845) in one folder that only its owner can read."""

from handsfree.edges.kept_sound.folder import Kept, KeptSound, Removed
from handsfree.edges.kept_sound.writer import WholeFile

__all__ = ["Kept", "KeptSound", "Removed", "WholeFile"]

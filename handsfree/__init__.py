"""handsfree: a voice-driven, hands-free session clicker and rep counter for dog trainers."""

__version__ = "0.1.0"

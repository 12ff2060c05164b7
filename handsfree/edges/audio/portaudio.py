"""What microphone and player share of sounddevice (PortAudio): the import, the list of devices, errors, letting go."""

from __future__ import annotations

import atexit
import threading
from typing import Any

from handsfree.core.devices import Device, Direction
from handsfree.core.errors import UserError

LETTING_GO_S = 1.0


def portaudio() -> Any:
    """The library, imported when first needed: without PortAudio the import itself fails, and files must still work."""
    try:
        import sounddevice
    except OSError:
        raise UserError(
            "the sound library PortAudio is missing: install it (Debian, Ubuntu: `sudo apt install libportaudio2`; "
            "Fedora: `sudo dnf install portaudio`; macOS, Windows: `pip install --force-reinstall sounddevice`); "
            "recordings still work with --from"
        ) from None
    return sounddevice


def list_devices() -> list[Device]:
    """All sound devices of the system. Raises UserError if PortAudio is missing."""
    sounddevice = portaudio()
    hosts = [host["name"] for host in sounddevice.query_hostapis()]

    def default(direction: Direction) -> int | None:
        try:
            return int(sounddevice.query_devices(kind=direction)["index"])
        except (sounddevice.PortAudioError, ValueError):
            return None

    default_input, default_output = default("input"), default("output")
    return [
        Device(
            number=entry["index"],
            name=entry["name"],
            host=hosts[entry["hostapi"]],
            inputs=entry["max_input_channels"],
            outputs=entry["max_output_channels"],
            rate=round(entry["default_samplerate"]),
            default_input=entry["index"] == default_input,
            default_output=entry["index"] == default_output,
        )
        for entry in sounddevice.query_devices()
    ]


def let_go(sounddevice: Any, stream: Any) -> None:
    """Close a stream. With a device that has gone this can hang inside the driver (seen with JACK): leave it behind."""

    def close() -> None:
        stream.abort(ignore_errors=True)
        stream.close(ignore_errors=True)

    closing = threading.Thread(target=close, name="closing sound", daemon=True)
    closing.start()
    closing.join(LETTING_GO_S)
    if closing.is_alive():
        atexit.unregister(sounddevice._exit_handler)  # it would hang in the same place


def reason(error: Exception) -> str:
    """PortAudio's words without its error number."""
    words = str(error.args[0] if error.args else error)
    return words.removeprefix("Error opening RawInputStream: ").removeprefix("Error opening RawOutputStream: ").strip()

"""The secret under which a blind export makes its codes, in a file that only its owner can read."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.exporting.blind import KEY_BYTES


def blinding_key(path: Path, make: bool) -> bytes:
    """The key at `path`; made there if it is missing and `make`. Raises UserError.

    Who has this file can find out which dog a code stands for, and without it no later export has the same codes.
    """
    try:
        if make and not path.exists():
            with open(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="ascii") as file:
                file.write(secrets.token_hex(KEY_BYTES) + "\n")
        text = path.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        raise UserError(f"{path}: no key there; leave --key out to make one beside the log") from None
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: the key of the codes cannot be kept or read there ({error})") from error
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise UserError(
            f"{path}: not a key of a blind export ({2 * KEY_BYTES} hexadecimal digits); name the right file"
        )
    return key

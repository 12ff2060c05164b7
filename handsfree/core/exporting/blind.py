"""Codes in place of names: stable for one key, not to be undone without it.

A code is the start of HMAC-SHA-256 (RFC 2104, FIPS 180-4) of the name under a secret key. A plain hash would not do:
names are few, and whoever tries them all finds the one that fits.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import unicodedata
from collections.abc import Callable
from functools import lru_cache

from handsfree.core.plan import spoken

KEY_BYTES = 32
_DIGITS = 10  # 40 bits: among 1,000 dogs two share a code once in two million logs


def folded(name: str) -> str:
    """A name for comparison: spellings that differ in case or in Unicode form only are the same."""
    return unicodedata.normalize("NFC", name).casefold()


class Codes:
    """Codes under one key. `key` is KEY_BYTES random bytes."""

    def __init__(self, key: bytes) -> None:
        self._key = key

    def code(self, kind: str, name: str) -> str:
        """Letters and digits: `kind`, then ten hexadecimal digits. An empty name stays empty."""
        if not name:
            return ""
        digest = hmac.new(self._key, f"{kind}\0{folded(name)}".encode(), hashlib.sha256).hexdigest()
        return f"{kind}{digest[:_DIGITS]}"

    def hider(self, dog: str, handler: str) -> Callable[[str], str]:
        """A function that puts codes where a text names the dog or the handler, whole or by a part of their name."""
        return _hider(self, dog, handler)


@lru_cache(maxsize=4096)
def _hider(codes: Codes, dog: str, handler: str) -> Callable[[str], str]:
    said: dict[str, str] = {}
    for kind, name in (("handler", handler), ("dog", dog)):
        for spelling in (name, spoken(name)):
            for part in [spelling, *(part for part in spelling.split() if len(part) > 2)]:
                if part:
                    said[folded(part)] = codes.code(kind, name)
    if not said:
        return str
    longest_first = sorted(said, key=len, reverse=True)
    pattern = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)")

    @lru_cache(maxsize=256)
    def hide(text: str) -> str:
        low = folded(text)
        return pattern.sub(lambda found: said[found.group()], low) if pattern.search(low) else text

    return hide

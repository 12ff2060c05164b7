"""The voice of a session: sentences of the prompt book, rendered ahead, played into the headset."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from types import TracebackType

from handsfree import places
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, Say
from handsfree.core.plan import Plan
from handsfree.edges.audio import NoPlayer, Player, tone
from handsfree.edges.promptbook import PromptBook

LAST_WORDS_S = 4.0
"""How long the end of a session waits for its last sentence to be heard."""


class Mute:
    """Says nothing aloud; the sentences still reach the log and the screen."""

    busy = False

    def __init__(self, book: PromptBook):
        self._book = book

    def say(self, say: Say) -> tuple[str, float]:
        return self._book.fill(say.key, **dict(say.fields)), 0.0

    def tone(self, name: str) -> None:
        pass

    def can_say(self, say: Say) -> bool:
        return True


class Aloud:
    """Speaks. `complain` is called once if there is no voice or nothing to play on; the session goes on without."""

    def __init__(
        self,
        book: PromptBook,
        plan: Plan,
        output: str | int | None,
        complain: Callable[[str], None],
        texts: Sequence[str] | None = None,
    ) -> None:
        """`texts`: what will be said, the first first; None: the sentences of a session."""
        from handsfree.edges.speech import Voice

        self._book, self._complain, self._complained = book, complain, False
        self._voice = Voice(places.cache_dir() / "prompts", plan.prompts)
        self._player = self._open_player(output, plan.prompts.volume)
        if not isinstance(self._player, NoPlayer):
            self._voice.render_ahead(book.all_texts(plan) if texts is None else texts)

    def _open_player(self, output: str | int | None, volume: float) -> Player | NoPlayer:
        from handsfree.core.devices import find_device
        from handsfree.edges.audio import list_devices

        try:
            return Player(find_device(list_devices(), output, "output"), volume)
        except UserError as error:
            if output is not None:
                raise
            self._complain_once(f"no spoken prompts: {error}")
            return NoPlayer()

    def __enter__(self) -> Aloud:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        deadline = time.monotonic() + LAST_WORDS_S
        while self._player.busy and time.monotonic() < deadline:
            time.sleep(0.05)
        self._voice.close()
        self._player.close()

    @property
    def busy(self) -> bool:
        return self._player.busy

    def can_say(self, say: Say) -> bool:
        """Whether the sentence is rendered, or never will be."""
        silent = isinstance(self._player, NoPlayer) or self._voice.failed is not None
        return silent or self._voice.sound(self._book.fill(say.key, **dict(say.fields))) is not None

    def say(self, say: Say) -> tuple[str, float]:
        text = self._book.fill(say.key, **dict(say.fields))
        if self._voice.failed:
            self._complain_once(self._voice.failed)
        path = self._voice.sound(text)
        if path is None:
            return text, 0.0
        import soundfile

        with suppress(soundfile.LibsndfileError):  # someone emptied the cache just now
            pcm, rate = soundfile.read(path, dtype="int16")
            return text, self._player.play(pcm, rate)
        return text, 0.0

    def tone(self, name: str) -> None:
        if not self._player.busy:
            self._player.play(tone(name), SAMPLE_RATE)

    def _complain_once(self, what: str) -> None:
        if not self._complained:
            self._complained = True
            self._complain(what)

"""The review page: how soon it can be used, how long a correction takes, how fast forty reps are checked by keyboard.

    python -m tests.bench.review

A session of three hours and 2,000 reps with its sound, invented. Needs a Chromium of this system and playwright.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import soundfile
from playwright.sync_api import Browser, Page, sync_playwright

from handsfree.core.events import HeardWord, LogWord
from handsfree.core.log import JudgedRep, SessionLog
from tests.reviews import invented, serving, sound_of, write

REPS, HOURS = 2000, 3
REACTION_S = 0.6
"""From the end of a rep to a key: knowing and pressing, on the slow side."""
PLAYED_AFTER_S = 0.5
"""The page plays so much after a rep."""
WRONG_EVERY = 4
"""One rep in so many is corrected, besides."""


def main() -> None:
    print("| what | measured | target |\n|---|---|---|")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        _long_session(Path(folder), browser)
        _forty_reps(Path(folder), browser)


def _long_session(folder: Path, browser: Browser) -> None:
    log = _spread(invented(REPS), HOURS * 3600)
    write(folder / "long.db", log)
    soundfile.write(folder / "long.flac", sound_of(log), 16_000)
    starts, usables, keys, drawn, plays = [], [], [], [], []
    cpu_starts, cpu_pages, cpu_keys = [], [], []
    for _ in range(3):
        began = time.perf_counter()
        with serving(folder / "long.db", "--sound", str(folder / "long.flac")) as link:
            starts.append(time.perf_counter() - began)
            cpu_starts.append(link.cpu_s())
            page = browser.new_page()
            began = time.perf_counter()
            page.goto(link, wait_until="commit")
            page.wait_for_selector("html[data-ready=yes]", state="attached")
            usables.append(time.perf_counter() - began)
            cpu_pages.append(link.cpu_s() - cpu_starts[-1] + _processor_s(page))
            page.uncheck("#arrive")
            before_s = link.cpu_s()
            page.focus("#list")
            for _ in range(20):
                page.keyboard.press("ArrowRight")
                for key in "xu":
                    changed_s, drawn_s = _timed(page, key)
                    keys.append(changed_s)
                    drawn.append(drawn_s)
            cpu_keys.append((link.cpu_s() - before_s) / 60)
            page.keyboard.press("End")
            plays.append(_until_playing(page))
            page.context.close()
    _row("program started to page offered", starts)
    _row(f"page asked for to page usable ({REPS} reps, {HOURS} h)", usables)
    _row("both together", [a + b for a, b in zip(starts, usables, strict=True)], "1 s")
    _row("key pressed to correction on disk and figures changed", keys, "50 ms", 1000, "ms")
    _row("the same, to the frame that shows them", drawn, "", 1000, "ms")
    _row("processor time: program until the page is offered", cpu_starts)
    _row("processor time: program and browser until the page is usable", cpu_pages)
    _row("processor time: program for a key (a move, a correction or its undoing)", cpu_keys, "", 1000, "ms")
    _row("key pressed to sound playing, at the end of the session", plays, "", 1000, "ms")


def _forty_reps(folder: Path, browser: Browser) -> None:
    """Every rep is heard to its end, half as fast again, and a key is pressed REACTION_S later."""
    log = invented(40)
    write(folder / "forty.db", log)
    soundfile.write(folder / "forty.flac", sound_of(log), 16_000)
    with serving(folder / "forty.db", "--sound", str(folder / "forty.flac")) as link:
        page = browser.new_page()
        page.goto(link)
        page.wait_for_selector("html[data-ready=yes]")
        began = time.perf_counter()
        page.keyboard.press("f")
        page.keyboard.press("Space")
        for number in range(1, 41):
            for shown in ("Stop", "Play"):  # on the button: it began to play, and it has ended
                page.wait_for_function(f"() => document.querySelector('#do-space span').textContent === '{shown}'")
            time.sleep(REACTION_S - PLAYED_AFTER_S / 1.5)
            if number % WRONG_EVERY == 0:
                page.keyboard.press("x")
                time.sleep(REACTION_S)
            page.keyboard.press("ArrowRight")
        took_s = time.perf_counter() - began
        page.context.close()
    reps_s = sum(one.rep.end_s - one.rep.start_s for one in log.reps)
    what = f"40 reps ({reps_s:.0f} s in all) heard to their ends, 10 corrected, by keyboard, {REACTION_S} s to each key"
    print(f"| {what} | {took_s:.0f} s | 180 s |")


def _processor_s(page: Page) -> float:
    """Processor time of the page's own process."""
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable")
    return next(
        one["value"] for one in session.send("Performance.getMetrics")["metrics"] if one["name"] == "ProcessTime"
    )


def _timed(page: Page, key: str) -> tuple[float, float]:
    """Seconds from the key press to the new figures, as the page itself sees them, and to the frame that has them."""
    page.evaluate("""() => {
        window.done = new Promise((resolve) => {
            const said = document.getElementById("said");
            said.textContent = "";
            const sinceKey = () => (performance.now() - window.pressedAt) / 1000;
            const seeing = new MutationObserver(() => {
                if (!said.textContent) return; // said once the answer has come and all is changed
                seeing.disconnect();
                const changed = sinceKey();
                const { port1, port2 } = new MessageChannel(); // its message comes after the frame's layout and paint
                port1.onmessage = () => resolve([changed, sinceKey()]);
                requestAnimationFrame(() => port2.postMessage(null));
            });
            seeing.observe(said, { childList: true, characterData: true, subtree: true });
            const pressed = () => (window.pressedAt = performance.now());
            document.addEventListener("keydown", pressed, { capture: true, once: true });
        });
    }""")
    page.keyboard.press(key)
    return tuple(page.evaluate("() => window.done"))


def _until_playing(page: Page) -> float:
    began = time.perf_counter()
    page.keyboard.press("Space")
    page.wait_for_function("() => document.querySelector('#do-space span').textContent === 'Stop'")
    return time.perf_counter() - began


def _spread(log: SessionLog, length_s: float) -> SessionLog:
    """The session moved apart to fill a length of time: its words, reps and prompts keep their own lengths."""
    factor = length_s / (log.session.ended_s or length_s)

    def word(one: HeardWord | None) -> HeardWord | None:
        return one and replace(one, start_s=one.start_s * factor, end_s=one.start_s * factor + one.end_s - one.start_s)

    def rep(one: JudgedRep) -> JudgedRep:
        start_s, length = one.rep.start_s * factor, one.rep.end_s - one.rep.start_s
        moved = replace(one.rep, start_s=start_s, end_s=start_s + length, cue=None, outcome_word=None)
        return JudgedRep(replace(moved, cue=word(one.rep.cue)), one.outcome)

    return replace(
        log,
        session=replace(log.session, ended_s=length_s),
        reps=tuple(map(rep, log.reps)),
        words=tuple(LogWord(replace(one.heard, word=word(one.heard.word)), one.rep_number) for one in log.words),
        prompts=tuple(
            replace(
                one, start_s=one.start_s * factor, end_s=one.end_s and one.start_s * factor + one.end_s - one.start_s
            )
            for one in log.prompts
        ),
    )


def _row(what: str, seconds: list[float], target: str = "", scale: float = 1, unit: str = "s") -> None:
    middle, worst = (scale * one for one in (statistics.median(seconds), max(seconds)))
    digits = 0 if unit == "ms" else 2
    print(f"| {what} | {middle:.{digits}f} {unit}, slowest {worst:.{digits}f} of {len(seconds)} | {target} |")


if __name__ == "__main__":
    main()

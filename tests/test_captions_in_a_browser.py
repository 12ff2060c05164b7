"""Captions and chapters beside a film, played by a browser: what it shows when."""

from __future__ import annotations

import base64
import shutil
import subprocess

import pytest

from handsfree.edges.store import Store
from tests.browsing import WITH_A_BROWSER
from tests.exports import exported, fill

pytestmark = [*WITH_A_BROWSER, pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs the program ffmpeg")]

PAGE = """<!doctype html><video muted src="{film}">
<track id="captions" kind="captions" default src="{captions}"><track id="chapters" kind="chapters" src="{chapters}">
</video>"""
SHOWN = """async ([kind, second]) => {
    const video = document.querySelector("video"), track = document.getElementById(kind).track;
    track.mode = "hidden";
    while (!track.cues?.length) await new Promise(later => setTimeout(later, 20));
    const there = new Promise(done => video.addEventListener("seeked", done, {once: true}));
    video.currentTime = second;
    await there;
    await new Promise(later => setTimeout(later, 100));
    return Array.from(track.activeCues, cue => cue.getCueAsHTML().textContent);
}"""


def data_url(file, kind):
    return f"data:{kind};base64,{base64.b64encode(file.read_bytes()).decode()}"


def test_a_browser_shows_each_rep_at_its_time(browser, tmp_path):
    fill(tmp_path / "log.db")
    with Store.open(tmp_path / "log.db", read_only=True) as store:
        session_id = store.sessions("Bram")[-1].session.id
        reps = store.session_log(session_id).reps
    exported(tmp_path / "log.db", tmp_path / "walk.vtt", "vtt", session_id)
    film = tmp_path / "walk.webm"
    picture = ["-f", "lavfi", "-i", "testsrc=size=64x48:rate=4", "-t", "80", "-c:v", "libvpx"]
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", *picture, str(film)], check=True)
    page_text = PAGE.format(
        film=data_url(film, "video/webm"),
        captions=data_url(tmp_path / "walk.vtt", "text/vtt"),
        chapters=data_url(tmp_path / "walk.chapters.vtt", "text/vtt"),
    )
    page = browser.new_page()
    page.set_content(page_text)
    middle_s = (reps[0].rep.start_s + reps[0].rep.end_s) / 2
    assert page.evaluate(SHOWN, ["captions", middle_s]) == ["1 sit, step 2: correct"]
    assert page.evaluate(SHOWN, ["captions", reps[0].rep.start_s - 0.5]) == []
    shown = page.evaluate(SHOWN, ["captions", reps[3].rep.start_s + 0.5])
    assert shown == ['4 sit --> down <b>"now"</b>, Bram & co, step 1: incorrect']
    assert page.evaluate(SHOWN, ["captions", 71.0]) == ["sound lost"]
    assert page.evaluate(SHOWN, ["chapters", middle_s]) == ["sit, step 2"]

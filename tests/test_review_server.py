"""The server behind the review page: who is let in, what is answered to nonsense, and what the command refuses."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import soundfile

from handsfree.commands import review as review_command
from handsfree.core.errors import UserError
from handsfree.core.events import EndReason, Outcome
from handsfree.core.summary import summarise
from handsfree.edges.audio.excerpt import excerpt, peaks
from handsfree.edges.kept_sound import KeptSound
from handsfree.edges.review_page import server
from handsfree.edges.review_page.guard import Guard
from handsfree.edges.store import Store
from handsfree.reviewing import Desk, Recording
from tests.logs import marked_rep, start
from tests.reviews import ROOT, invented, serving, sound_of, write

HOST = "127.0.0.1:8700"
LINK = f"http://{HOST}"


@pytest.fixture(scope="module")
def log():
    return invented(12)


@pytest.fixture
def store(tmp_path, log):
    write(tmp_path / "log.db", log)
    with Store.open(tmp_path / "log.db") as store:
        yield store


@pytest.fixture
def desk(store, log):
    return Desk(store, log.session.id, "Ana")


@dataclass
class Answer:
    status_code: int
    headers: dict[str, str]
    content: bytes

    @property
    def text(self):
        return self.content.decode()

    def json(self):
        return json.loads(self.content)


class Page:
    """Asks the guarded application as a server would (ASGI 3.0), in the thread that owns the log."""

    def __init__(self, desk):
        self.app = Guard(server.application(desk), "secret", 8700)

    def get(self, url, headers=None):
        return self.ask("GET", url, b"", headers)

    def post(self, url, content, headers=None):
        return self.ask("POST", url, content, headers)

    def ask(self, method, url, content, headers):
        path, _, query = url.partition("?")
        found = {"host": HOST} | (headers or {})
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(name.encode(), value.encode()) for name, value in found.items()],
            "client": ("127.0.0.1", 5),
            "server": ("127.0.0.1", 8700),
        }
        sent = []
        coming = [{"type": "http.request", "body": content, "more_body": False}]

        async def receive():
            if not coming:
                await asyncio.Event().wait()  # the browser stays connected
            return coming.pop()

        async def send(message):
            sent.append(message)

        asyncio.run(self.app(scope, receive, send))
        headers = {name.decode().lower(): value.decode() for name, value in sent[0]["headers"]}
        return Answer(sent[0]["status"], headers, b"".join(one.get("body", b"") for one in sent[1:]))


@pytest.fixture
def page(desk):
    return Page(desk)


def test_the_link_opens_the_page(page):
    answer = page.get("/secret/")
    assert answer.status_code == 200
    assert answer.text.startswith("<!doctype html>")
    assert page.get("/secret/static/main.js").status_code == 200
    assert page.get("/secret/static/../server.py").status_code in (403, 404)


@pytest.mark.parametrize("path", ["/", "/secre/", "/secret2/state", "/state", "/SECRET/state", "//secret/state"])
def test_without_the_token_nothing_is_shown(page, path):
    answer = page.get(path)
    assert answer.status_code == 403
    assert "this link is not, or no longer, valid" in answer.text
    assert "Domino" not in answer.text


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8700", "127.0.0.1", "127.0.0.1:1", "[::1]:8700", ""])
def test_another_host_is_refused(page, host):
    """A name that an attacker lets point to 127.0.0.1 must not reach us: "DNS rebinding" (OWASP)."""
    assert page.get("/secret/state", headers={"host": host}).status_code == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8700", "http://127.0.0.1:8701"])
def test_a_foreign_origin_is_refused(page, origin, log):
    body = b'{"kind": "wrong", "n": 1, "seen": 0}'
    assert page.post("/secret/change", body, headers={"origin": origin}).status_code == 403
    assert page.get("/secret/state", headers={"origin": origin}).status_code == 403
    assert page.post("/secret/change", body).status_code == 403  # nor without any
    cross = {"origin": LINK, "sec-fetch-site": "cross-site"}
    assert page.post("/secret/change", body, headers=cross).status_code == 403
    assert page.get("/secret/state").json()["seen"] == 0


def test_every_answer_carries_the_policy(page):
    """CSP Level 3 (W3C): everything is forbidden but what is named, and nothing named is another origin or inline."""
    for path in ("/secret/", "/secret/state", "/secret/nothing", "/wrong/"):
        headers = page.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert not re.search(r"unsafe|https?:|\*", headers["content-security-policy"])
        assert {policy[name] for name in ("base-uri", "form-action", "frame-ancestors")} == {"'none'"}
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


def change(page, **body):
    return page.post("/secret/change", json.dumps(body).encode(), headers={"origin": LINK})


def test_a_change_is_on_disk_and_in_the_figures(page, tmp_path, log):
    first = next(one for one in log.reps if one.outcome is Outcome.CORRECT)
    before = page.get("/secret/state").json()["figures"]
    answer = change(page, kind="wrong", n=first.rep.number, seen=0).json()
    assert answer["figures"]["correct"] == before["correct"] - 1
    assert [one["outcome"] for one in answer["reps"]] == ["incorrect"]
    with Store.open(tmp_path / "log.db", read_only=True) as other:
        made = other.session_log().corrections
    assert [(one.who, one.correction.before, one.correction.after) for one in made] == [
        ("Ana", Outcome.CORRECT, Outcome.INCORRECT)
    ]


def test_figures_are_those_of_the_summary(desk):
    for number, kind in ((1, "no rep"), (2, "wrong"), (3, "right"), (5, "no response"), (7, "no rep")):
        with contextlib.suppress(UserError):  # it is so already
            desk.make(kind, number, len(desk.log.corrections))
    figures, summary = desk.state()["figures"], summarise(desk.log)
    assert (figures["correct"], figures["reps"]) == (summary.correct, summary.reps)
    assert [tuple(one.values()) for one in figures["behaviours"]] == [
        (one.name, one.correct, one.reps, one.rate, one.interval) for one in summary.behaviours if one.outcomes
    ]
    assert summary.reps == len(desk.log.reps) - 2


def test_a_change_made_in_ignorance_is_answered_with_what_is_new(page, tmp_path, log):
    number = log.reps[0].rep.number
    with Store.open(tmp_path / "log.db") as other:
        Desk(other, log.session.id, "Bo").make("no rep", number, 0)
    answer = change(page, kind="split", n=log.reps[3].rep.number, seen=0)
    assert answer.status_code == 409
    assert answer.json()["message"].startswith(f"Bo changed rep {number} (no rep). Your key was not carried out")
    assert answer.json()["state"]["seen"] == 1
    assert change(page, kind="wrong", n=log.reps[3].rep.number, seen=1).status_code == 200


@pytest.mark.parametrize(
    ("body", "status", "message"),
    [
        (b"", 400, "no correction"),
        (b"[]", 400, "no correction"),
        (b'{"kind": 1, "n": 1, "seen": 0}', 400, "no correction"),
        (b'{"kind": "wrong", "n": "1", "seen": 0}', 400, "no correction"),
        (b'{"kind": "wrong", "n": 1, "seen": 0, "behaviour": 7}', 400, "no correction"),
        (b'{"kind": "split", "n": 1, "seen": 0, "at_s": NaN}', 400, "is no number"),
        (b"[" * 4000, 400, "no correction"),
        (b"x" * 10_000_000, 400, "too long"),
        (b'{"kind": "fly", "n": 1, "seen": 0}', 200, "no change 'fly'"),
        (b'{"kind": "wrong", "n": 99999, "seen": 0}', 200, "no rep 99999"),
        (b'{"kind": "behaviour", "n": 1, "seen": 0, "behaviour": "fly"}', 200, "no behaviour 'fly'"),
        (b'{"kind": "split", "n": 1, "seen": 0, "at_s": 1e300}', 200, "cannot be split"),
        (b'{"kind": "undo", "n": 1, "seen": 0}', 200, "nothing of Ana's to take back"),
    ],
)
def test_nonsense_is_answered_in_one_line_and_changes_nothing(page, body, status, message):
    answer = page.post("/secret/change", body, headers={"origin": LINK})
    assert answer.status_code == status
    assert message in answer.json()["message"]
    assert "\n" not in answer.json()["message"]
    assert page.get("/secret/state").json()["seen"] == 0


@pytest.mark.parametrize("query", ["", "?from=1", "?from=x&to=2", "?from=3&to=2", "?from=0&to=1e9", "?from=nan&to=2"])
def test_no_stretch_of_sound(page, query):
    assert page.get(f"/secret/wave{query}").status_code == 400
    assert "message" in page.get(f"/secret/sound/1{query}").json()


# Sound


def test_an_excerpt_is_the_file_between_two_times(tmp_path, log):
    sound = sound_of(log)
    for name, subtype, exact in (("a.flac", "PCM_16", True), ("b.wav", "PCM_16", True), ("c.ogg", "OPUS", False)):
        soundfile.write(tmp_path / name, sound, 16_000, subtype=subtype)
        pcm = excerpt(tmp_path / name, 7.25, 9.5)
        assert len(pcm) == 2 * 36_000
        if exact:
            assert pcm == sound[116_000:152_000].astype("<i2").tobytes()
    assert excerpt(tmp_path / "a.flac", 1e6, 1e6 + 1) == b""
    assert peaks(excerpt(tmp_path / "a.flac", 0.0, 5.0), 50) == [
        int(abs(sound[at : at + 1600].astype(int)).max() * 100 // 32768) for at in range(0, 80_000, 1600)
    ]


def test_a_rep_is_played_from_the_recording(tmp_path, log, store):
    soundfile.write(tmp_path / "s.flac", sound_of(log), 16_000)
    rep = log.reps[2].rep
    page = Page(Desk(store, log.session.id, "Ana", Recording(tmp_path / "s.flac")))
    answer = page.get(f"/secret/sound/3?from={rep.start_s}&to={rep.end_s}")
    assert answer.headers["content-type"] == "audio/wav"
    assert float(answer.headers["x-start-s"]) == pytest.approx(rep.start_s, abs=1e-3)
    assert len(answer.content) == pytest.approx(44 + 32_000 * (rep.end_s - rep.start_s), abs=4)
    assert answer.content[44:64] == sound_of(log)[round(16_000 * rep.start_s) :][:10].tobytes()
    wave = page.get(f"/secret/wave?from={rep.start_s}&to={rep.end_s}&bins=100").json()
    assert len(wave["pieces"][0]["peaks"]) == 100
    assert max(wave["pieces"][0]["peaks"]) > 20


class Scattered:
    """Sound kept around single reps: of the second only, and a damaged file for the third."""

    def __init__(self, folder, log):
        self.log, self.folder = log, folder
        first = log.reps[1].rep.start_s - 0.5
        self.start_s = first
        piece = sound_of(log)[round(16_000 * first) : round(16_000 * (log.reps[1].rep.end_s + 0.5))]
        soundfile.write(folder / "2.flac", piece, 16_000)
        (folder / "3.flac").write_bytes(b"fLaC" + bytes(50))

    def rep(self, session_id, number):
        if number == 4:
            return self.folder / "gone.flac", self.log.reps[3].rep.start_s
        return {2: (self.folder / "2.flac", self.start_s), 3: (self.folder / "3.flac", 0.0)}.get(number)

    def whole(self, session_id):
        return None


def test_sound_that_is_missing_or_damaged_is_said_and_the_rest_works(tmp_path, log, store):
    page = Page(Desk(store, log.session.id, "Ana", Scattered(tmp_path, log)))
    assert page.get("/secret/state").json()["sound"] == ""

    def heard(number):
        rep = log.reps[number - 1].rep
        return page.get(f"/secret/sound/{number}?from={rep.start_s}&to={rep.end_s}")

    assert heard(2).content[:4] == b"RIFF"
    assert heard(1).json()["message"] == "no sound is kept of rep 1"
    assert "3.flac: the sound is damaged" in heard(3).json()["message"]
    assert "gone.flac: there is no such file" in heard(4).json()["message"]
    second = log.reps[1].rep
    wave = page.get(f"/secret/wave?from={second.start_s}&to={second.end_s}&bins=50").json()
    assert [round(one["start"], 2) for one in wave["pieces"]] == [round(second.start_s, 2)]
    assert change(page, kind="no rep", n=3, seen=0).json()["reps"][0]["outcome"] is None


def test_a_session_without_sound_says_so(desk, log):
    assert (
        desk.sound_kept()
        == "No sound is kept of this session. If you have its recording (simulated), name it with --sound."
    )
    with pytest.raises(UserError, match="no sound is kept of rep 1"):
        desk.sound(1, 0.0, 1.0)


def test_sound_kept_around_reps_is_put_together(tmp_path, log, store):
    """As a session keeps it: a file a rep, with gaps between them where nothing was kept."""
    kept, sound = KeptSound(tmp_path / "sound"), sound_of(log)
    ends = []
    for one in log.reps[:2]:
        start_s = max(0.0, round(one.rep.start_s - 0.5, 3))
        ends.append((start_s, one.rep.end_s + 0.5))
        file = kept.open_rep(log.session.id, 14, one.rep.number, start_s)
        file.write(sound[round(16_000 * start_s) : round(16_000 * (one.rep.end_s + 0.5))].tobytes())
        file.finish()
    desk = Desk(store, log.session.id, "Ana", kept)
    assert desk.sound_kept() == ""
    desk.make("merge", 1, 0)
    pcm, start_s = desk.pcm(1, 0.0, ends[1][1])
    assert start_s == pytest.approx(ends[0][0])
    assert len(pcm) / 32_000 == pytest.approx(ends[1][1] - ends[0][0], abs=0.01)
    loud = [int(one) for one in peaks(pcm, 200)]
    assert max(loud) > 15
    gap_s = (ends[0][1] + ends[1][0]) / 2
    assert loud[round(200 * (gap_s - start_s) / (ends[1][1] - start_s))] == 0
    assert len(desk.wave(0.0, ends[1][1], 100)["pieces"]) == 2


# The command


def refused(*arguments, home):
    done = subprocess.run(
        [sys.executable, "-m", "handsfree.cli", "review", *map(str, arguments)],
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(ROOT), "HANDSFREE_HOME": str(home), "PATH": ""},
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("handsfree: ")
    assert done.stderr.count("\n") == 1
    return done.stderr


def test_what_cannot_be_reviewed_is_refused_in_one_line(tmp_path, log):
    path = tmp_path / "log.db"
    assert "no log there yet" in refused("--log", path, home=tmp_path)
    assert not path.exists()
    write(path, log)
    assert "no session 'zzz'" in refused("zzz", "--log", path, home=tmp_path)
    assert "there is no file" in refused("--sound", tmp_path / "none.wav", "--log", path, home=tmp_path)
    (tmp_path / "other.db").write_text("not a database " * 100)
    assert "not a database" in refused("--log", tmp_path / "other.db", home=tmp_path)
    with Store.open(path) as store, store._file.writing() as db:
        db.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('handsfree', '9999_x', '')"
        )
    assert "written by a newer version" in refused("--log", path, home=tmp_path)


def test_a_port_that_is_taken(tmp_path, log):
    write(tmp_path / "log.db", log)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        line = refused("--port", port, "--no-browser", "--log", tmp_path / "log.db", home=tmp_path)
    assert f"--port {port}: cannot be used" in line


def test_a_reply_in_two_pieces_is_not_held_back():
    """With Nagle's algorithm (RFC 896) on, the second piece waits for the browser's delayed acknowledgement."""

    async def nodelay():
        accepted = asyncio.get_running_loop().create_future()
        listener = server._listening(0)
        at = listener.getsockname()
        async with await asyncio.start_server(lambda _, writer: accepted.set_result(writer), sock=listener):
            _, client = await asyncio.open_connection(*at)
            writer = await accepted
            found = writer.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            writer.close()
            client.close()
        return found

    assert asyncio.run(nodelay())


def test_the_page_needs_packages_and_says_which(tmp_path, log, monkeypatch, desk):
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    with pytest.raises(UserError, match=r"needs the package uvicorn; run `pip install \"handsfree\[review\]\"`"):
        server.serve(desk, 0, lambda link: None)


@pytest.mark.parametrize(("opens", "said"), [(True, ""), (False, "No browser could be opened")])
def test_a_machine_without_a_browser(monkeypatch, capsys, opens, said):
    asked = []
    monkeypatch.setattr("webbrowser.open", lambda link: asked.append(link) or opens)
    review_command._open_browser(LINK)
    assert asked == [LINK]
    assert capsys.readouterr().out.startswith(said)


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="looks at Linux's list of sockets")
def test_it_listens_on_the_loopback_interface_only_and_ends_with_ctrl_c(tmp_path, log):
    write(tmp_path / "log.db", log)
    with serving(tmp_path / "log.db") as link:
        at = urlsplit(link)
        assert (at.hostname, len(at.path) > 30) == ("127.0.0.1", True)
        with urllib.request.urlopen(f"{link}state") as answer:
            assert json.load(answer)["session"]["dog"] == "Domino"
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(f"http://127.0.0.1:{at.port}/")
        lines = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()]
        listening = [line[1] for line in lines if line[1].endswith(f":{at.port:04X}") and line[3] == "0A"]
        assert listening == [f"0100007F:{at.port:04X}"]  # 127.0.0.1 and no other address


def test_sessions_of_one_rep_and_of_none(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        for reps in (0, 1):
            session_id = store.begin(start())
            for number in range(1, reps + 1):
                store.add_rep(marked_rep(number))
            store.end(session_id, EndReason.ASKED, 5.0)
            state = Desk(store, session_id, "Ana").state()
            assert len(state["reps"]) == state["figures"]["reps"] == reps


def test_a_clock_moved_back_does_not_reorder_corrections(store, desk, log, monkeypatch):
    from handsfree.edges.store import log as module

    real, hours = module.datetime, iter((3, 2, 1))

    class Back(real):
        @classmethod
        def now(cls, tz=None):
            return real(2026, 5, 4, next(hours))

    number = log.reps[0].rep.number
    monkeypatch.setattr(module, "datetime", Back)
    for seen, kind in enumerate(("no rep", "no response", "wrong")):
        desk.make(kind, number, seen)
    monkeypatch.undo()
    made = store.session_log(log.session.id)
    assert [one.made_at.hour for one in made.corrections] == [3, 2, 1]
    assert made.reps[0].outcome is Outcome.INCORRECT

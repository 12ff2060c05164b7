"""The review page in a real browser: every key, conflicts, widths, screen readers; nothing leaves the machine."""

from __future__ import annotations

import http.server
import threading

import pytest
import soundfile

from handsfree.core.events import EndReason, Ignored, LogWord, Reason, Role, SessionEvent
from handsfree.edges.store import Store
from handsfree.reviewing import Desk
from tests.browsing import WITH_A_BROWSER
from tests.helpers import heard
from tests.logs import marked_rep, start
from tests.reviews import invented, serving, sound_of, write

pytestmark = WITH_A_BROWSER
REPS = 40


@pytest.fixture(scope="module")
def invented_log():
    return invented(REPS)


@pytest.fixture(scope="module")
def sound(invented_log, tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "session.flac"
    soundfile.write(path, sound_of(invented_log), 16_000)
    return path


@pytest.fixture
def path(tmp_path, invented_log):
    write(tmp_path / "log.db", invented_log)
    return tmp_path / "log.db"


@pytest.fixture
def link(path, sound):
    with serving(path, "--who", "Ana", "--sound", str(sound)) as link:
        yield link


@pytest.fixture
def open_page(browser):
    """Opens the page in a tab of its own; at the end, none of them may have logged an error or asked anybody else."""
    contexts, errors, asked = [], [], []

    def opened(link, **how):
        context = browser.new_context(**({"viewport": {"width": 1200, "height": 900}} | how))
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda said: errors.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(link)
        page.wait_for_selector("html[data-ready=yes]", timeout=10_000)
        page.errors = errors
        return page

    yield opened
    for context in contexts:
        context.close()
    assert errors == []
    assert {url.split("/")[2].split(":")[0] for url in asked if not url.startswith("blob:")} <= {"127.0.0.1"}


@pytest.fixture
def page(link, open_page):
    return open_page(link)


def title(page):
    return page.inner_text("#rep-title")


def press(page, *keys):
    for key in keys:
        page.keyboard.press(key)


def said(page, text):
    holds = "text => document.getElementById('said').textContent.includes(text)"
    page.wait_for_function(holds, arg=text, timeout=5000)


def warned(page, text):
    page.wait_for_function(
        "text => document.getElementById('trouble').textContent.includes(text)", arg=text, timeout=5000
    )


def stored(path):
    with Store.open(path, read_only=True) as store:
        return store.session_log()


def of(log, number):
    return next(one for one in log.reps if one.rep.number == number)


@pytest.mark.parametrize(
    ("key", "outcome"), [("w", "incorrect"), ("n", "no response"), ("x", "no rep"), ("r", "correct")]
)
def test_one_key_judges_the_rep(page, path, key, outcome):
    row = page.locator("#list li").filter(has_not_text=outcome).first
    number = int(row.get_attribute("data-n"))
    row.click()
    press(page, key)
    said(page, f"Rep {number}, ")
    assert title(page).endswith(f", {outcome}")
    assert page.locator(f"#rep-{number}").inner_text().endswith(outcome)
    assert page.locator(f"#do-{key}").get_attribute("aria-pressed") == "true"
    assert (of(stored(path), number).outcome or "no rep").replace("_", " ") == outcome
    press(page, key)  # once is enough
    said(page, f"Rep {number} is {outcome} already")
    assert len(stored(path).corrections) == 1


def test_figures_follow_at_once(page, path):
    before = page.inner_text("#figures tbody tr:last-child")
    correct, reps = map(int, before.replace("all", "").split(" of "))
    press(page, "x")
    said(page, "Rep 1, ")
    was = of(stored(path), 1).rep.outcome == "correct"
    assert page.inner_text("#figures tbody tr:last-child").split() == ["all", str(correct - was), "of", str(reps - 1)]


def test_a_correction_asks_for_nothing_else_and_the_wave_stays(page):
    page.wait_for_selector("#wave polygon", state="attached")
    wave = page.get_attribute("#wave polygon", "points")
    asked = []
    page.on("request", lambda request: asked.append(request.url.rsplit("/", 1)[1]))
    press(page, "x")
    said(page, "Rep 1, ")
    press(page, "u")
    said(page, "Taken back")
    assert [one for one in asked if one != "news"] == ["change", "change"]
    assert page.get_attribute("#wave polygon", "points") == wave
    press(page, "End")
    changed = "wave => ![wave, undefined].includes(document.querySelector('#wave polygon')?.getAttribute('points'))"
    page.wait_for_function(changed, arg=wave, timeout=5000)


def test_splitting_merging_and_taking_back(page, path):
    press(page, "s")
    said(page, f"Rep {REPS + 1}, ")
    assert page.locator("#list li").count() == REPS + 1
    assert [one.rep.number for one in stored(path).reps][:2] == [1, REPS + 1]
    assert "not counted" not in title(page)
    time = page.locator("#facts dt:text-is('time') + dd").inner_text()
    assert page.inner_text("#history li").split(", Ana")[0].endswith(f" from {time}")
    press(page, "m")
    page.wait_for_selector(f"#rep-{REPS + 1}:has-text('no rep')")
    assert of(stored(path), REPS + 1).outcome is None
    press(page, "u", "u")
    said(page, "Taken back")
    page.wait_for_function("() => document.querySelectorAll('#history li').length === 4")
    assert title(page).startswith("Rep 1: ")
    assert page.locator("#list li").count() == REPS  # as if it had never been split
    assert f"{REPS} reps" in page.locator("#whole").get_attribute("aria-label")
    press(page, "Control+r")
    page.wait_for_selector("html[data-ready=yes]")
    assert page.locator("#list li").count() == REPS
    log = stored(path)
    assert [(one.rep, one.outcome) for one in log.reps if not one.added] == [
        (rep, rep.outcome) for rep in log.live_reps
    ]
    press(page, "u")
    warned(page, "nothing of Ana's to take back")


def test_splitting_where_the_line_is(page, path):
    rep = of(stored(path), 1).rep
    middle = (rep.start_s + rep.end_s) / 2
    press(page, "p", "Shift+ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight", "Shift+ArrowLeft", "s")
    said(page, f"Rep {REPS + 1}, ")
    assert of(stored(path), REPS + 1).rep.start_s == pytest.approx(middle + 0.2, abs=0.35)
    press(page, "u")
    said(page, "Taken back")
    box = page.locator("#around").bounding_box()
    page.mouse.click(box["x"] + 58 + (box["width"] - 58) / 2, box["y"] + 40)
    press(page, "s")
    said(page, f"Rep {REPS + 2}, ")
    assert of(stored(path), REPS + 2).rep.start_s == pytest.approx(middle, abs=0.35)


def test_another_behaviour_is_chosen_by_its_number(page, path):
    names = [one.name for one in stored(path).session.behaviours]
    own = of(stored(path), 1).rep.behaviour
    other = next(at for at, name in enumerate(names) if name != own)
    press(page, "b")
    assert page.locator("#behaviours").is_visible()
    press(page, "w")  # keys of the page do nothing behind it
    press(page, "Escape")
    assert not page.locator("#behaviours").is_visible()
    press(page, "b", str(other + 1))
    said(page, f"Rep 1, {names[other]}")
    assert of(stored(path), 1).rep.behaviour == names[other]
    press(page, "b", "ArrowDown", "Escape", "b", str(names.index(own) + 1))
    said(page, f"Rep 1, {own}")
    assert len(stored(path).corrections) == 2


def test_moving_through_the_reps(page):
    for keys, number in (
        (["ArrowRight", "ArrowRight"], 3),
        (["ArrowLeft"], 2),
        (["ArrowDown"], 3),
        (["ArrowUp", "ArrowUp"], 1),
        (["ArrowLeft"], 1),
        (["End"], REPS),
        (["ArrowRight"], REPS),
        (["Home"], 1),
    ):
        press(page, *keys)
        assert title(page).startswith(f"Rep {number}: ")
        assert page.locator("#list").get_attribute("aria-activedescendant") == f"rep-{number}"
    box = page.locator("#whole").bounding_box()
    page.mouse.click(box["x"] + box["width"] - 5, box["y"] + 10)
    assert title(page).startswith(f"Rep {REPS}: ")


def test_one_key_plays_and_stops(page):
    press(page, "p")  # no more playing on arrival
    assert not page.locator("#arrive").is_checked()
    assert page.inner_text("#do-space span") == "Play"
    press(page, "Space")
    page.wait_for_function("() => document.querySelector('#do-space span').textContent === 'Stop'", timeout=5000)
    line = page.locator("#around .cursor")
    first = float(line.get_attribute("x1"))
    page.wait_for_function(f"() => Number(document.querySelector('#around .cursor').getAttribute('x1')) > {first + 5}")
    press(page, "Space")
    page.wait_for_function("() => document.querySelector('#do-space span').textContent === 'Play'", timeout=5000)
    press(page, "f")
    said(page, "Playing 1.5 times as fast")
    press(page, "p", "ArrowRight")
    page.wait_for_function("() => document.querySelector('#do-space span').textContent === 'Stop'", timeout=5000)
    page.wait_for_function("() => document.querySelector('#do-space span').textContent === 'Play'", timeout=15_000)


def test_the_time_line_shows_words_and_why_some_did_not_count(page, path):
    log = stored(path)
    ignored = [one.heard for one in log.words if getattr(one.heard, "reason", "") == "in_a_sentence"]
    near = min(log.reps, key=lambda rep: min(abs(rep.rep.end_s - one.word.start_s) for one in ignored))
    page.locator(f"#rep-{near.rep.number}").click()
    texts = page.locator("#around text").all_text_contents()
    assert any(text.endswith("(in a sentence)") for text in texts)
    assert "not counted: in a sentence" in page.locator("#around").get_attribute("aria-label")
    page.wait_for_selector("#around polygon.wave")
    before = page.inner_text("#span")
    press(page, "-")
    assert page.inner_text("#span") != before
    press(page, "+")
    assert page.inner_text("#span") == before


def test_only_unsure_ones_least_sure_first(page, path):
    press(page, "o")
    assert page.locator("#unsure").is_checked()
    shown = [int(row.get_attribute("data-n")) for row in page.locator("#list li").all()]
    state = page.evaluate("fetch('state').then(reply => reply.json())")
    unsure = [one for one in state["reps"] if one["doubt"] or (one["confidence"] or 0) < 0.9]
    assert 0 < len(shown) < REPS
    assert shown == [one["n"] for one in sorted(unsure, key=lambda one: (one["confidence"] or 0, one["n"]))]
    assert title(page).startswith(f"Rep {shown[0]}: ")
    press(page, "ArrowRight")
    assert title(page).startswith(f"Rep {shown[1]}: ")
    press(page, "o")
    assert page.locator("#list li").count() == REPS
    page.fill("#limit", "0")
    press(page, "w")  # typed into the field: no command
    assert stored(path).corrections == ()


def test_keys_can_be_switched_off_and_looked_up(page, path):
    press(page, "?")
    assert "cross it out" in page.inner_text("#help")
    press(page, "w", "Escape")
    page.uncheck("#single")
    page.locator("#list").focus()
    press(page, "w")
    assert stored(path).corrections == ()
    page.click("#do-x")
    said(page, "Rep 1, ")
    assert page.evaluate("document.activeElement.id") == "list"
    page.check("#single")
    press(page, "Control+r")  # the browser's own: loads the page anew
    page.wait_for_selector("html[data-ready=yes]")
    assert title(page).endswith("no rep")


def test_two_tabs_never_lose_a_change(link, path, open_page):
    first, second = open_page(link), open_page(link)
    press(first, "x")
    said(first, "Rep 1, ")
    press(second, "ArrowRight", "x")  # it has not seen that yet
    warned(second, "Ana changed rep 1 (no rep). Your key was not carried out")
    assert second.locator("#rep-1").inner_text().endswith("no rep")
    assert [one.correction.rep_number for one in stored(path).corrections] == [1]
    press(second, "x")
    said(second, "Rep 2, ")
    assert second.inner_text("#trouble") == ""
    first.wait_for_function("() => document.querySelector('#rep-2').textContent.endsWith('no rep')", timeout=8000)
    assert [one.correction.rep_number for one in stored(path).corrections] == [1, 2]
    assert any("409" in error for error in second.errors)
    second.errors.clear()  # the browser's own line about the refusal


def test_a_second_reviewer_is_seen(page, path, invented_log):
    with Store.open(path) as store:
        Desk(store, invented_log.session.id, "Bo").make("no rep", 3, 0)
    page.wait_for_function("() => document.querySelector('#rep-3').textContent.endsWith('no rep')", timeout=8000)
    said(page, "Somebody else has corrected this session")
    press(page, "End", "x")
    said(page, f"Rep {REPS}, ")


def test_a_running_session_grows_and_loses_nothing(open_page, tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        with serving(tmp_path / "log.db", "--who", "Ana") as link:
            page = open_page(link)
            assert "still running" in page.inner_text("#about")
            press(page, "w")
            said(page, "Rep 1, sit: incorrect")
            press(page, "s")
            warned(page, "the session is still running")
            store.add_rep(marked_rep(2))
            store.add_word(LogWord(SessionEvent(heard("yes", 21.4), Role.MARKER), 2))
            page.wait_for_selector("#rep-2", timeout=8000)
            assert title(page).startswith("Rep 1: ")
            store.end(session_id, EndReason.ASKED, 30.0)
            over = "() => !document.querySelector('#about').textContent.includes('running')"
            page.wait_for_function(over, timeout=8000)
            press(page, "ArrowRight", "x")
            said(page, "Rep 2, ")
            page.context.close()
    assert [one.outcome for one in stored(tmp_path / "log.db").reps] == ["incorrect", None]


def test_when_the_program_ends_the_page_says_so(open_page, path):
    with serving(path, "--who", "Ana") as link:
        page = open_page(link)
        press(page, "x")
        said(page, "Rep 1, ")
    press(page, "ArrowRight", "x")
    warned(page, "The program behind this page has ended. Every correction made before is on disk")
    assert any("ERR_CONNECTION_REFUSED" in error for error in page.errors)
    page.errors.clear()  # the browser's own line about it
    assert len(stored(path).corrections) == 1


def test_another_page_in_the_same_browser_can_do_nothing(browser, link, path):
    """A page of another origin, open in the same browser, that has even got hold of the link."""

    class Foreign(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>foreign</title>")

        def log_message(self, *_): ...

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Foreign) as foreign:
        threading.Thread(target=foreign.serve_forever, daemon=True).start()
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{foreign.server_port}/")
        body = '{"kind": "no rep", "n": 1, "seen": 0}'
        asking = """([link, body]) => Promise.all([
            fetch(link + 'change', {method: 'POST', body, mode: 'no-cors'}).then(reply => reply.type, String),
            fetch(link + 'state').then(reply => reply.text(), String),
        ])"""
        sent, read = page.evaluate(asking, [link, body])
        assert "Failed to fetch" in read
        page.set_content(f'<iframe src="{link}"></iframe>')
        page.wait_for_timeout(300)
        assert "Domino" not in (page.frames[-1].content() if len(page.frames) > 1 else "")
        page.close()
        foreign.shutdown()
    assert stored(path).corrections == (), sent


def test_a_wrong_link_shows_one_line(browser, link):
    page = browser.new_page()
    answer = page.goto(link[:-3] + "aa/")
    assert answer.status == 403
    assert page.inner_text("body").startswith("handsfree: this link is not, or no longer, valid")
    page.close()


@pytest.mark.parametrize("width", [360, 480, 768, 900, 1200, 1440])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_width_and_both_schemes(link, open_page, width, scheme):
    page = open_page(link, viewport={"width": width, "height": 800}, color_scheme=scheme)
    press(page, "ArrowRight", "x")
    said(page, "Rep 2, ")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for key in "rwnxsmbu":
        box = page.locator(f"#do-{key}").bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["height"] >= 24  # WCAG 2.2, success criterion 2.5.8
    assert violations(page) == []
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(21, 26, 24)"
    assert dark is (scheme == "dark")


def violations(page):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found]


def test_axe_finds_nothing_in_dialogs_and_odd_states(page, open_page, tmp_path):
    """axe-core, all its rules. (tests above run it at every width, light and dark.)"""
    press(page, "b")
    assert violations(page) == []
    press(page, "Escape", "?")
    assert violations(page) == []
    press(page, "Escape", "o")
    assert violations(page) == []
    with Store.open(tmp_path / "empty.db") as store:
        store.end(store.begin(start()), EndReason.ASKED, 3.0)
    with serving(tmp_path / "empty.db") as link:
        empty = open_page(link)
        assert title(empty) == "No reps"
        assert empty.inner_text("#none") == "This session has no reps."
        press(empty, "ArrowRight", "w", "s", "m", "b", "x", "Space", "o", "End")
        assert violations(empty) == []
        press(empty, "u")
        warned(empty, "nothing of")
        empty.context.close()


def test_outcomes_are_words_and_signs_not_only_colours(page):
    rows = page.locator("#list li").all_inner_texts()
    for row in rows:
        assert row.endswith(("● correct", "○ incorrect", "· no response"))
    assert page.locator("#list li[aria-selected=true]").count() == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_warning_sign_is_seen_at_once(open_page, tmp_path, scheme):
    """Also where the word was not sure enough to end the session; clean for axe-core, on a phone too."""
    growl = heard("growling", 88.0, confidence=0.1)
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        store.add_word(LogWord(Ignored(growl, Role.SAFETY, Reason.UNSURE)))
        store.end(session_id, EndReason.ASKED, 95.0)
    with serving(tmp_path / "log.db") as link:
        page = open_page(link, viewport={"width": 360, "height": 700}, color_scheme=scheme)
        assert page.inner_text("#caution").startswith("The safety word was heard at 1:28, but not for sure, so it did")
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert violations(page) == []
        page.context.close()


def test_names_are_text_whatever_they_hold(open_page, tmp_path):
    name = "<img src=x onerror=alert(1)>"
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start(dog=name, place="</title><script>alert(2)</script>"))
        store.add_rep(marked_rep(1, behaviour=name))
        store.add_word(LogWord(SessionEvent(heard(name, 10.0), Role.CUE, name), 1))
        store.end(session_id, EndReason.ASKED, 20.0)
    with serving(tmp_path / "log.db", "--who", name) as link:
        page = open_page(link)
        assert page.inner_text("#title") == name
        press(page, "x")
        said(page, name)
        assert page.locator("img").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= 1200
        page.context.close()

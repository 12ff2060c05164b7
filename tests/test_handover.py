"""Pages for a family: figures with their numbers, where, with whom; the page itself, and the PDF made of it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import timedelta

import pytest
from click.testing import CliRunner

from demo.simulate import domino, plan_of, write
from handsfree.commands.handover import handover as command
from handsfree.commands.plan import plan as plan_command
from handsfree.core.errors import UserError
from handsfree.core.handover import LAST_DAYS, Compared, Score, hand_over
from handsfree.core.plan import PRESETS, Behaviour, Day, Handover, Tag
from handsfree.core.progress import progress
from handsfree.edges import handover_page, planfile
from handsfree.edges.handover_page import words
from handsfree.edges.store import Store
from tests.pasts import START, STEPS, history, plan, session


def handed(*sessions, **changes):
    return hand_over(plan(**changes), progress(history(*sessions)))


def sit(*sessions):
    return handed(*sessions).behaviours[0]


def test_today_is_the_step_where_the_dog_stands_in_the_last_two_weeks():
    old = session(0, ("sit", 2, "----------"))
    one = sit(old, session(LAST_DAYS, ("sit", 1, "--"), ("sit", 2, "++++-+++++x")))
    assert (one.step, one.all) == (2, Score("", 10, 9))
    assert (one.until - one.since).days == LAST_DAYS - 1
    assert one.until == START.date() + timedelta(LAST_DAYS)
    assert (
        words.today(one)
        == "Step 2 of 3: two. 9 of 10 right: 90\N{NO-BREAK SPACE}% (likely between 60 and 98\N{NO-BREAK SPACE}%)."
    )
    assert words.following(one).startswith("Next: three. ")


def test_where_and_with_whom():
    one = sit(
        session(0, ("sit", 1, "++++++++++++"), place="kitchen", handler="Ada"),
        session(1, ("sit", 1, "+-"), place="park", handler=""),
    )
    assert one.places == (Score("kitchen", 12, 12), Score("park", 2, 1))
    assert one.handlers == (Score("Ada", 12, 12),)
    assert words.score(one.places[1]) == "1 of 2 right: too few reps to tell"


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        ("+-+", "Ada and Ben: too few reps to tell whether it makes a difference who asks."),
        ("+++++++-++", "Ada and Ben: no difference that these reps could show."),
        ("---+---+--", "Goes better with Ada than with Ben: let Ben practise, a step easier."),
    ],
)
def test_handlers_are_compared_as_far_as_their_reps_tell(marks, said):
    one = sit(session(0, ("sit", 1, "+++++++++-+++++"), handler="Ada"), session(1, ("sit", 1, marks), handler="Ben"))
    assert [words.compared(pair) for pair in one.compared] == [said]


def test_the_other_handler_may_be_the_better_one():
    one = sit(session(0, ("sit", 1, "-" * 20), handler="Ada"), session(1, ("sit", 1, "+" * 12), handler="Ben"))
    assert words.compared(one.compared[0]) == "Goes better with Ben than with Ada."
    assert words.compared(Compared("Ada", "Ben", -0.1, 0.2)) == "Ada and Ben: no difference that these reps could show."


def test_what_was_never_trained_is_said():
    one = handed(session(0, ("down", 1, "+"))).behaviours[0]
    assert words.today(one) == "Not trained yet."
    assert words.following(one) == "Begin with: one."
    assert "not trained yet" in handover_page.html(handed())


def test_a_raise_without_a_rep_at_the_new_step():
    one = sit(session(0, ("sit", 1, "+++++"), steps={"sit": 2}))
    assert words.today(one) == (
        "Step 2 of 3: two. No reps at this step yet; before it, 5 of 5 right: too few reps to tell."
    )


def test_how_it_goes_on_is_what_the_plan_says():
    brush = Behaviour("brush", ("brush",), tag=Tag.HANDLING, steps=STEPS)
    bowl = Behaviour("bowl", ("wait",), tag=Tag.GUARDING, steps=STEPS)
    sit = Behaviour("sit", ("sit",), steps=STEPS, rule=PRESETS["8-of-10"])
    past = session(0, ("sit", 1, "+"), ("brush", 1, "+"), ("bowl", 3, "+"))
    later = session(1, ("brush", 2, "+"))
    own = Day(calm_reps=7)
    first = handed(past, behaviours=(sit, brush, bowl), day=own).behaviours
    assert [words.following(one) for one in first] == [
        "Next: two. Go on when 8 of 10 are right; go back a step after 2 misses in a row.",
        "Next: two. Go on after 7 calm reps in a row, one step a day at most. At the first opt-out stop for that day.",
        "How it goes on is for that professional to say.",
    ]
    second = handed(past, later, behaviours=(brush,), day=own).behaviours[0]
    assert words.following(second).endswith("At the first opt-out stop for that day, and be a step easier next time.")
    assert (
        words.following(handed(behaviours=(bowl,)).behaviours[0]) == "How it goes on is for that professional to say."
    )


def test_a_warning_sign_is_not_kept_from_the_family():
    calm = session(0, ("sit", 1, "+"))
    assert words.warned(handed(calm)) == ""
    assert "<strong>A warning sign." not in handover_page.html(handed(calm))
    growl = session(1, ("brush", 1, "++"), ("sit", 1, "+"), safety=True)
    told = handed(calm, growl)
    assert "such as growling, was heard on 5 May 2026 (brush, sit). Ask the trainer" in words.warned(told)
    assert words.warned(told) in handover_page.html(told)
    often = handed(*(session(day, ("sit", 1, "+"), safety=True) for day in range(6)))
    assert "was heard 6 times, last on 5 May 2026 (sit); 6 May 2026 (sit); " in words.warned(often)


def test_a_relapse_is_not_kept_from_the_family():
    good = [session(day, ("sit", 1, "++++++++++")) for day in range(4)]
    one = sit(*good, session(4, ("sit", 1, "----------")))
    assert words.relapse(one).startswith("Likely relapse since 8 May 2026: 0 of ")
    assert words.relapse(one) in handover_page.html(handed(*good, session(4, ("sit", 1, "----------"))))


def test_the_page_says_all_that_the_plan_says_and_escapes_it():
    own = Behaviour(
        "sit", ("sit", "park it"), steps=STEPS, hand_signal="flat <hand>", do=("wait & see",), dont=("push",)
    )
    bowl = Behaviour("bowl", ("wait",), tag=Tag.GUARDING, steps=STEPS)
    told = Handover(("no table",), ("short sessions",), ("shout",), ("Ada, 0123",))
    page = handover_page.html(handed(behaviours=(own, bowl), handover=told))
    for said in (
        "Say “sit” or “park it”.",
        "Hand signal: flat &lt;hand&gt;.",
        "wait &amp; see",
        "push",
        "no table",
        "short sessions",
        "shout",
        "Ada, 0123",
        "Guarding: do not train this by yourselves",
        "then a licensed behaviour professional",
    ):
        assert said in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def run(*arguments) -> str:
    done = CliRunner().invoke(command, [str(one) for one in arguments])
    if done.exception:
        raise done.exception
    return done.output


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """(plan, log) of the invented dog."""
    folder = tmp_path_factory.mktemp("handover")
    write(folder / "domino.db", domino())
    (folder / "domino.toml").write_text(plan_of("Domino", "Ottilie", "the garden")[1], encoding="utf-8")
    return folder / "domino.toml", folder / "domino.db"


def test_the_pdf_has_two_to_four_pages_and_its_text(files, tmp_path):
    pytest.importorskip("weasyprint")
    if not shutil.which("pdftotext"):
        pytest.skip("needs pdftotext of poppler-utils")
    target = tmp_path / "domino.pdf"
    assert run(files[0], "--log", files[1], "--pdf", target) == f"written to {target}\n"
    text = subprocess.run(["pdftotext", "-layout", target, "-"], capture_output=True, text=True, check=True).stdout
    pages = text.split("\f")[:-1]
    assert 2 <= len(pages) <= 4
    assert pages[0].split()[-1].endswith(f"/{len(pages)}")
    flat = " ".join(text.split())
    for said in (
        "Living and training with Domino",
        "36 short sessions with Ottilie and Jannis, 2 March 2026 to 29 March 2026.",
        "Say “back up”.",
        "Step 2 of 3: three paces. 19 of 36 right: 53 % (likely between 37 and 68 %).",
        "Likely relapse since 21 March 2026: 5 of 13 right where 81 % was to be expected.",
        "Whom to ask",
    ):
        assert said in flat


def test_figures_are_those_of_the_log(files):
    """The step's reps of the last two weeks, counted rep by rep from each session's own log."""
    with Store.open(files[1], read_only=True) as store:
        today = hand_over(planfile.load(files[0]), progress(store.history("Domino"))).behaviours
        logs = [store.session_log(total.session.id) for total in store.sessions("Domino")]
    for one in today:
        own = [
            (judged.outcome.value == "correct", log.session.handler)
            for log in logs
            if one.since <= log.session.started_at.date() <= one.until
            for judged in log.reps
            if judged.outcome and judged.rep.behaviour == one.behaviour.name and judged.rep.step >= one.step
        ]
        assert (one.all.reps, one.all.correct) == (len(own), sum(correct for correct, _ in own))
        assert {score.name: score.reps for score in one.handlers} == {
            name: sum(handler == name for _, handler in own) for name in {handler for _, handler in own}
        }


def test_bad_input(files, tmp_path, monkeypatch):
    with pytest.raises(UserError, match="nothing to write: give --html FILE, --pdf FILE or both"):
        run(files[0], "--log", files[1])
    with pytest.raises(UserError, match="cannot be written: No such file or directory; name another file"):
        run(files[0], "--log", files[1], "--html", tmp_path / "nowhere" / "x.html")
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UserError, match=r"a PDF needs WeasyPrint: .*; the page can be printed from a browser instead"):
        run(files[0], "--log", files[1], "--pdf", tmp_path / "x.pdf")


# Going on with the same plan


def take_over(*arguments) -> str:
    done = CliRunner().invoke(plan_command, ["new", *map(str, arguments)])
    if done.exception:
        raise done.exception
    return done.output


def test_a_family_goes_on_with_the_same_plan_and_other_voices(files, tmp_path):
    target = tmp_path / "home.toml"
    said = take_over(target, "--from", files[0], "--log", files[1], "--handler", "Ida", "--marker", "click")
    assert "steps that Domino has reached: target 2, reverse 2, mat 3, collar 1" in said
    old, new = planfile.load(files[0]), planfile.load(target)
    assert (new.dog, new.handler, new.words.marker, new.words.error) == ("Domino", "Ida", ("click",), old.words.error)
    assert [one.start_step for one in new.behaviours] == [2, 2, 3, 1]
    assert [one.steps for one in new.behaviours] == [one.steps for one in old.behaviours]
    assert "# nine of them back her up" in target.read_text(encoding="utf-8")  # comments stay


def test_another_dog_begins_where_the_plan_says(files, tmp_path):
    target = tmp_path / "nova.toml"
    said = take_over(target, "--from", files[0], "--log", files[1], "--dog", "Nova")
    assert "reached" not in said
    assert f"No step was taken from a log: each behaviour begins at the one that {files[0]} says." in said
    assert [one.start_step for one in planfile.load(target).behaviours] == [1, 2, 1, 1]


def test_taking_over_refuses_what_makes_no_plan(files, tmp_path):
    target = tmp_path / "home.toml"
    with pytest.raises(UserError, match='"touch" is given two roles'):
        take_over(target, "--from", files[0], "--log", files[1], "--marker", "touch")
    with pytest.raises(UserError, match="--behaviour: with --from they are those of the other plan"):
        take_over(target, "--from", files[0], "--behaviour", "sit")
    with pytest.raises(UserError, match="exists already, and a plan is never overwritten"):
        take_over(files[0], "--from", files[0])
    with pytest.raises(UserError, match="--log: only together with --from"):
        take_over(target, "--log", files[1], "--dog", "Nova", "--behaviour", "sit")
    assert not target.exists()

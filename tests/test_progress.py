"""Progress over days: figures by day, relapses and plateaus by date, what changed then; from the log and by hand."""

from __future__ import annotations

import functools
import re
import sys
from datetime import date, datetime, timedelta, timezone

import pytest
from click.testing import CliRunner
from rich.console import Console

from demo.simulate import FIRST_DAY, RELAPSE_DAY, RELAPSE_OF, domino, write
from handsfree.commands.progress import progress as command
from handsfree.core.errors import UserError
from handsfree.core.events import Correction, EndReason, Instruction, LogWord, Outcome, OweReward, Role, SessionEvent
from handsfree.core.progress import Changed, Unit, progress
from handsfree.core.summary import summarise
from handsfree.edges.progress_page import image, page, plain, words, write_image
from handsfree.edges.store import Store
from tests.helpers import heard
from tests.logs import STARTED, marked_rep, start
from tests.pasts import START, history, session

MONDAY = START.date()


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("progress") / "domino.db"
    write(path, domino())
    return path


def run(*arguments) -> str:
    done = CliRunner().invoke(command, [str(one) for one in arguments], terminal_width=80)
    if done.exception:
        raise done.exception
    return done.output


# From the log


def test_figures_are_those_of_the_summaries(log):
    """What summary.py counts session by session, the few queries over the whole log count too."""
    with Store.open(log, read_only=True) as store:
        past = store.history("DOMINO")
        assert past.dog == "Domino"
        for one in past.sessions:
            summary = summarise(store.session_log(one.id))
            for behaviour in summary.behaviours:
                own = [rep for rep in one.reps if rep.behaviour == behaviour.name]
                assert sum(rep.correct is not None for rep in own) == behaviour.reps
                assert sum(rep.correct is True for rep in own) == behaviour.correct
                assert sum(rep.rewards for rep in own) == behaviour.rewards
                assert sum(rep.time_s for rep in own) == pytest.approx(behaviour.time_s)
                times = [rep.cue_to_marker_s for rep in own if rep.cue_to_marker_s is not None and rep.correct]
                assert len(times) == behaviour.cue_to_marker_n
                if own:
                    assert one.steps[behaviour.name] == behaviour.last_step
        steps = {name: step for one in past.sessions for name, step in one.steps.items()}
        assert steps == store.current_steps("Domino")


def test_the_invented_relapse_is_found_in_the_log_and_no_other(log):
    with Store.open(log, read_only=True) as store:
        found = progress(store.history("Domino"))
    skill_fell = (FIRST_DAY + timedelta(days=RELAPSE_DAY)).date()
    reverse = next(one for one in found.behaviours if one.name == RELAPSE_OF)
    began = min(day.first for day in reverse.periods(Unit.DAY) if day.first >= skill_fell)
    assert {one.name: [s.began for s in one.setbacks] for one in found.behaviours} == {
        "target": [],
        RELAPSE_OF: [began],
        "mat": [],
        "collar": [],
    }
    assert [one.plateau for one in found.behaviours] == [None] * 4


def test_corrected_reps_count_as_corrected(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start())
        for number in (1, 2, 3):
            store.add_rep(marked_rep(number))
            store.add_reward(OweReward(number, 10.0 * number))
        store.add_correction(Correction(1, Outcome.CORRECT, Outcome.INCORRECT, "wrong", 50.0))
        store.add_correction(Correction(2, Outcome.CORRECT, None, "no rep", 50.0))
        down = marked_rep(3, behaviour="leave it")
        store.add_correction(Correction(3, Outcome.CORRECT, Outcome.CORRECT, "behaviour", 50.0, down))
        store.end(session_id, EndReason.ASKED, 60.0)
        found = {one.name: one for one in progress(store.history("Bram")).behaviours}
    [sit], [leave] = (found[name].periods(Unit.DAY) for name in ("sit", "leave it"))
    assert (sit.reps, sit.correct, sit.rewards, sit.cue_to_marker_s) == (1, 0, 2, None)
    assert (leave.reps, leave.correct, leave.rewards) == (1, 1, 1)


def test_pauses_are_no_training_time(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        for text, at_s in (("pause", 14.0), ("resume", 60.0)):
            instruction = Instruction(text)
            store.add_word(LogWord(SessionEvent(heard(text, at_s, 1.0), Role.INSTRUCTION, instruction=instruction)))
        store.add_rep(marked_rep(2, start_s=70.0))
        store.end(session_id, EndReason.ASKED, 80.0)
        past = store.history("Bram")
        assert [rep.time_s for rep in past.sessions[0].reps] == pytest.approx([11.8, 71.8 - 11.8 - 47.0])


def test_a_clock_set_back_is_said(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        for day in (3, 4, 1):
            session_id = store.begin(start(STARTED + timedelta(days=day)))
            store.add_rep(marked_rep(1))
            store.end(session_id, EndReason.ASKED, 20.0)
        past = store.history("Bram")
    assert past.out_of_order == 1
    assert [one.day.day for one in past.sessions] == [5, 7, 8]
    assert "1 session stands in the log after later ones: a clock was set back" in words.notes(progress(past))[0]


def test_a_warning_sign_is_said(capsys):
    calm = history(session(0, ("sit", 1, "+")))
    assert words.notes(progress(calm)) == []
    growl = history(*calm.sessions, session(1, ("brush", 1, "+"), ("sit", 1, "+"), safety=True))
    said = "The safety word was heard in 1 session, last on Tue 5 May (brush, sit): a vet first, then a licensed"
    assert words.notes(progress(growl))[0].startswith(said)
    plain.show(progress(growl), Console(width=200))
    assert said in capsys.readouterr().out
    assert said in page.html(progress(growl))


def test_a_day_is_the_day_where_it_took_place(tmp_path):
    """23:30 in Auckland and 08:00 in Lisbon ten hours later: by UTC one day, by their own clocks two."""
    auckland, lisbon = timezone(timedelta(hours=12)), timezone(timedelta(hours=1))
    with Store.open(tmp_path / "log.db") as store:
        for moment in (datetime(2026, 6, 1, 23, 30, tzinfo=auckland), datetime(2026, 6, 2, 8, 0, tzinfo=lisbon)):
            session_id = store.begin(start(moment))
            store.add_rep(marked_rep(1))
            store.end(session_id, EndReason.ASKED, 20.0)
        [sit] = progress(store.history("Bram")).behaviours
    assert [period.first for period in sit.periods(Unit.DAY)] == [date(2026, 6, 1), date(2026, 6, 2)]


# By hand


def test_days_weeks_months():
    past = history(*(session(day, ("sit", 1, "++-")) for day in (0, 1, 7, 30)))
    [sit] = progress(past).behaviours
    assert [p.first for p in sit.periods(Unit.WEEK)] == [MONDAY, MONDAY + timedelta(7), MONDAY + timedelta(28)]
    assert [(p.first.day, p.reps) for p in sit.periods(Unit.MONTH)] == [(1, 9), (1, 3)]
    assert sit.unit() is Unit.DAY
    many = history(*(session(day, ("sit", 1, "+")) for day in range(40)))
    assert progress(many).behaviours[0].unit() is Unit.WEEK


def test_two_sessions_of_a_day_are_one_day():
    past = history(session(0, ("sit", 1, "+-")), session(0, ("sit", 2, "++x"), hour=3))
    [day] = progress(past).behaviours[0].periods(Unit.DAY)
    assert (day.reps, day.correct, day.first_step, day.last_step, day.hardest) == (4, 3, 1, 2, 2)
    assert day.rewards_per_minute == pytest.approx(60 * 3 / 40)


def test_a_plateau_is_dated_and_says_what_changed_then():
    flat = "++-++-+--+"
    before = [session(day, ("sit", 1, "++++++++++")) for day in range(3)]
    stuck = [session(day, ("sit", 2, flat), place="park", handler="Ben") for day in range(8, 13)]
    [sit] = progress(history(*before, *stuck)).behaviours
    assert sit.plateau.began == MONDAY + timedelta(8)
    assert (sit.plateau.step, sit.plateau.days, sit.plateau.reps, sit.plateau.correct) == (2, 5, 50, 30)
    assert sit.plateau.changed == Changed("park", "Ben", 2, 5)
    assert words.changed(sit.plateau.changed) == (
        "What changed then: step 2 began, the place was new (park), the handler was new (Ben), "
        "5 days without training had gone before."
    )


@pytest.mark.parametrize(
    "later",
    [
        ["-----+----", "---+---+--", "-+-+-++--+", "++-++++++-", "++++++++++"],  # it gets better
        ["++-++-+--+"] * 3,  # too few reps
    ],
)
def test_no_plateau(later):
    days = [session(day, ("sit", 2, marks)) for day, marks in enumerate(later)]
    assert progress(history(*days)).behaviours[0].plateau is None


def test_the_last_step_done_well_is_no_plateau():
    days = [session(day, ("sit", 3, "+++++++++-")) for day in range(8)]
    [sit] = progress(history(*days)).behaviours
    assert sit.plateau is None
    assert words.verdict(sit) == ("steady", "at its last step.")


def test_what_changed_at_a_relapse():
    good = [session(day, ("sit", 1, "++++++++++")) for day in range(4)]
    bad = [session(day, ("sit", 1, "----------"), place="street") for day in (4, 5)]
    [sit] = progress(history(*good, *bad)).behaviours
    assert (sit.relapse.began, sit.relapse.changed) == (MONDAY + timedelta(4), Changed(place="street"))


# What people see


def test_one_rep():
    [sit] = progress(history(session(0, ("sit", 1, "+")))).behaviours
    assert words.verdict(sit) == ("too early to tell", "only 1 rep so far.")
    assert "1 of 1 correct: 100 % (95 % interval 21 to 100 %)" in words.lately(sit)


LOW = "---+-----"  # one of nine
VERDICTS = [
    ([(1, "++-+-")], "too early to tell: only 5 reps so far."),
    (
        [(1, LOW), (1, LOW), (1, LOW)],
        "too early to tell: low, but only 27 reps on 3 days since step 1 began; a plateau shows after 40 on 4.",
    ),
    (
        [(1, "+" * 10), (2, "++-++--+--")],
        "too early to tell: 10 reps on 1 day since step 2 began; a plateau shows after 40 on 4.",
    ),
    ([(1, "++++-++++")] * 2, "steady: no sign of a relapse or a plateau."),
    (
        [(2, "-" * 12), (2, LOW), (2, LOW), (2, "--+-+-+-+-+-")],  # gains, and so no plateau
        "low: under 80 % lately, but no sign of a relapse or a plateau.",
    ),
]


@pytest.mark.parametrize(("days", "said"), VERDICTS)
def test_a_verdict_is_no_better_than_the_figures_and_reads_alike_everywhere(capsys, days, said):
    past = progress(history(*(session(number, ("sit", *one)) for number, one in enumerate(days))))
    plain.show(past, Console(width=200))
    assert said in map(str.strip, capsys.readouterr().out.splitlines())
    sign, sentence = said.split(": ", 1)
    assert f"<strong>{sign.capitalize()}</strong>: {sentence}" in page.html(past)
    assert said in written(past)


def written(found, only=None):
    """What stands in the image."""
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", image._drawing(found, only)))


def test_the_image_holds_the_cautions_of_text_and_page(log):
    with Store.open(log, read_only=True) as store:
        found = progress(store.history("Domino"))
    assert f"Caution {words.CAUTION}" in written(found)
    for one in found.behaviours:
        assert (words.CAUTION in written(found, one)) == words.cautions([one]) == (one.name in ("reverse", "collar"))
    growl = progress(history(session(0, ("sit", 1, "+"), safety=True)))
    [note] = words.notes(growl)
    assert note in written(growl)


def test_no_rep(tmp_path):
    path = tmp_path / "log.db"
    with Store.open(path) as store:
        store.end(store.begin(start()), EndReason.ASKED, 5.0)
    shown = run("--log", path)
    assert "Bram  1 session on 1 day" in shown
    assert "no reps yet: sit, leave it, stay, brush" in shown
    with pytest.raises(UserError, match="Bram has no reps of 'sit' yet"):
        run("sit", "--log", path)


def test_in_the_terminal(log):
    shown = run("--log", log)
    assert "LIKELY RELAPSE since Sat 21 Mar: 5 of 13 correct where 81 % was to be" in shown
    assert shown.count("steady: at its last step.") == 2
    assert "see a vet first, then a licensed behaviour professional" in " ".join(shown.split())
    assert max(map(len, shown.splitlines())) <= 80
    one = run("Reverse", "--log", log)
    assert max(map(len, one.splitlines())) <= 80
    assert "target" not in one
    [row] = [line for line in one.splitlines() if line.startswith("21 Mar")]
    assert row.split()[2:5] == ["4/7", "57", "%"]
    assert row.endswith("relapse began")


def test_unknown_names_are_answered(log):
    with pytest.raises(
        UserError, match="Domino was never trained in 'revers'; there are: target, reverse, mat, collar"
    ):
        run("revers", "--log", log)
    with pytest.raises(UserError, match="no session of Bruno; `handsfree summary --list` shows what there is"):
        run("--dog", "Bruno", "--log", log)


def test_the_page_asks_nothing_of_the_network_and_escapes_names(log, tmp_path):
    evil = progress(history(session(0, ("sit", 1, "++-"), place="<b>"), session(1, ("<img src=x>", 1, "+" * 12))))
    made = page.html(evil)
    assert "<img" not in made
    assert "&lt;img src=x&gt;" in made
    target = tmp_path / "domino.html"
    assert run("--log", log, "--html", target) == f"written to {target}\n"
    text = target.read_text(encoding="utf-8")
    assert text.count('role="img"') == 4
    assert text.count('class="spell"') == 1
    assert "http" not in text.replace("http-equiv", "")
    assert "script" not in text
    with pytest.raises(UserError, match="cannot be written: No such file or directory; name another file"):
        run("--log", log, "--html", tmp_path / "nowhere" / "x.html")


def test_one_image_of_all_behaviours(log, tmp_path):
    """Read back by Pillow: the colour of the relapse is in the picture of the one that relapsed, and in no other."""
    pillow = pytest.importorskip("PIL.Image")
    pytest.importorskip("resvg_py")
    with Store.open(log, read_only=True) as store:
        found = progress(store.history("Domino"))
    alarm = (0xB3, 0x47, 0x00)
    for one in found.behaviours:
        write_image(tmp_path / "one.png", found, one)
        with pillow.open(tmp_path / "one.png") as drawn:
            assert drawn.width == 1760
            colours = {colour[:3] for _, colour in drawn.convert("RGB").getcolors(1 << 24)}
        assert (alarm in colours) == (one.relapse is not None)
    write_image(tmp_path / "all.png", found)
    with pillow.open(tmp_path / "all.png") as drawn:
        assert drawn.height > 2 * 300 * len(found.behaviours)


def test_an_image_without_any_font_is_refused():
    resvg = pytest.importorskip("resvg_py")
    assert image._writes(resvg.svg_to_bytes)
    assert not image._writes(functools.partial(resvg.svg_to_bytes, skip_system_fonts=True))


def test_an_image_without_its_package(log, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    done = CliRunner().invoke(command, ["--log", str(log), "--png", str(tmp_path / "a.png")])
    assert isinstance(done.exception, UserError)
    assert "pip install resvg-py" in str(done.exception)
    assert not (tmp_path / "a.png").exists()

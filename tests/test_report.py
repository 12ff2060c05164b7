"""The summary of a session: figures against a hand-worked one, wording, JSON, and the command."""

import io
import json
import re

import pytest
from click.testing import CliRunner
from rich.console import Console
from scipy.stats import binomtest

from handsfree.commands.summary import summary as command
from handsfree.core.errors import UserError
from handsfree.core.events import (
    Because,
    Choice,
    Correction,
    Decision,
    EndReason,
    Ignored,
    Instruction,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.log import Gap, Note
from handsfree.core.summary import pauses_of, summarise
from handsfree.edges.report import keys, page, words
from handsfree.edges.store import Store
from tests.helpers import heard, small_plan
from tests.logs import marked_rep, start

INCORRECT = {"outcome": Outcome.INCORRECT}
PAUSE = SessionEvent(heard("notebook take a break", 24.0), Role.INSTRUCTION, instruction=Instruction.PAUSE)
RESUME = SessionEvent(heard("notebook carry on", 27.0, 1.0), Role.INSTRUCTION, instruction=Instruction.RESUME)
SILENT = {"outcome": Outcome.NO_RESPONSE, "outcome_word": None, "recue": True}


@pytest.fixture
def path(tmp_path):
    return tmp_path / "handsfree.db"


@pytest.fixture
def session_id(path):
    """Six reps of `sit` 10 s apart (one undone, one recued, a pause of 4 s between), then one opt-out of `brush`."""
    with Store.open(path) as store:
        session_id = store.begin(start(place="kitchen"))
        store.add_rep(marked_rep(1, to_marker_s=1.0))
        store.add_rep(marked_rep(2, to_marker_s=2.0))
        store.add_word(LogWord(PAUSE))
        store.add_word(LogWord(RESUME))
        store.add_rep(marked_rep(3, to_marker_s=4.0))
        store.add_rep(marked_rep(4, **INCORRECT))
        store.add_rep(marked_rep(5, **SILENT))
        store.add_rep(marked_rep(6))
        store.add_rep(marked_rep(7, behaviour="brush", **INCORRECT))
        for rep_number in (1, 2, 3, 3, 6):
            store.add_reward(OweReward(rep_number, 10.0 * rep_number + 2))
        store.add_correction(Correction(6, Outcome.CORRECT, None, "undo", 63.0))
        store.add_decision(Decision(Choice.RAISE, Because.WINDOW, 34.8, "sit", 2, 3, (1, 2, 3), 3, "4-3-2"))
        for number in (4, 5):
            store.add_decision(Decision(Choice.HOLD, Because.TOP_STEP, 10.0 * number, "sit", 3, 3, (1, 2), 2, "4-3-2"))
        store.add_decision(Decision(Choice.LOWER, Because.OPT_OUT, 71.8, "brush", 2, 1, (7,), 0, "4-3-2"))
        store.add_decision(Decision(Choice.END, Because.TIME, 80.0))
        for reason in (Reason.UNSURE, Reason.IN_A_SENTENCE, Reason.IN_A_SENTENCE):
            store.add_word(LogWord(Ignored(heard("yes", 75.0), Role.MARKER, reason)))
        store.add_gap(Gap(76.0, 1.25))
        store.add_note(Note(77.0, 5.0, "notes/one.wav"))
        store.end(session_id, EndReason.TIME, 90.0)
    return session_id


@pytest.fixture
def figures(path, session_id):
    with Store.open(path, read_only=True) as store:
        return summarise(store.session_log(session_id))


def shown(figures, encoding="utf-8") -> str:
    console = Console(file=io.TextIOWrapper(io.BytesIO(), encoding=encoding), width=80, highlight=False)
    page.show(figures, console)
    console.file.seek(0)
    return console.file.read()


def made_of(path, *reps, words=(), **plan):
    """The summary of a session of just these reps."""
    with Store.open(path) as store:
        store.begin(start(**plan))
        for rep in reps:
            store.add_rep(rep)
        for word in words:
            store.add_word(word)
        return summarise(store.session_log())


# Figures


def test_a_hand_worked_session(figures):
    sit, leave_it, stay, brush = figures.behaviours
    assert (sit.reps, sit.correct, sit.undone, sit.recued) == (5, 3, 1, 1)
    assert (sit.count(Outcome.INCORRECT), sit.count(Outcome.NO_RESPONSE)) == (1, 1)
    assert sit.rate == 0.6
    theirs = binomtest(3, 5).proportion_ci(0.95, method="wilson")
    assert sit.interval == pytest.approx((theirs.low, theirs.high))
    assert (sit.cue_to_marker_s, sit.cue_to_marker_n) == (pytest.approx(2.0), 3)  # of 1, 2 and 4 s
    assert sit.rewards == 5  # one rep had two markers, one was undone after its marker: all are owed
    assert sit.time_s == pytest.approx(61.8 - 4.0)
    assert sit.rewards_per_minute == pytest.approx(5 / 57.8 * 60)
    assert (sit.first_step, sit.last_step) == (2, 3)

    assert (brush.reps, brush.correct, brush.interval[0]) == (1, 0, 0.0)
    assert brush.time_s == pytest.approx(10.0)
    assert (brush.first_step, brush.last_step) == (2, 1)

    for idle in (leave_it, stay):
        assert (idle.reps, idle.rate, idle.interval, idle.rewards_per_minute) == (0, None, None, None)
        assert (idle.first_step, idle.last_step) == (None, None)

    assert (figures.reps, figures.correct, figures.rewards) == (6, 3, 5)
    assert (figures.duration_s, figures.paused_s, figures.lost_s) == (90.0, 4.0, 1.25)
    assert figures.rewards_per_minute == pytest.approx(5 / 86 * 60)
    assert figures.ignored == {Reason.IN_A_SENTENCE: 2, Reason.UNSURE: 1}
    assert figures.safety_at_s is None


def test_a_rep_corrected_to_right_has_no_cue_to_marker(path):
    with Store.open(path) as store:
        store.begin(start())
        store.add_rep(marked_rep(1, **SILENT))
        store.add_rep(marked_rep(2))
        store.add_correction(Correction(1, Outcome.NO_RESPONSE, Outcome.CORRECT, "right", 15.0))
        store.add_correction(Correction(2, Outcome.CORRECT, Outcome.INCORRECT, "wrong", 25.0))
        sit = summarise(store.session_log()).behaviours[0]
    assert (sit.reps, sit.correct, sit.recued) == (2, 1, 0)
    assert (sit.cue_to_marker_s, sit.cue_to_marker_n) == (None, 0)


def test_a_pause_never_resumed_lasts_to_the_end():
    assert pauses_of([LogWord(PAUSE), LogWord(PAUSE)], 60.0) == [(24.0, 60.0)]
    assert pauses_of([LogWord(PAUSE), LogWord(RESUME)], 60.0) == [(24.0, 28.0)]
    assert pauses_of([LogWord(RESUME)], 60.0) == []


def test_a_behaviour_the_plan_does_not_name_is_still_counted(path):
    figures = made_of(path, marked_rep(1, behaviour="spin"))
    assert [(one.name, one.reps) for one in figures.behaviours if one.reps] == [("spin", 1)]


def test_an_open_session_is_as_long_as_what_it_wrote(path):
    assert made_of(path, marked_rep(1)).duration_s == pytest.approx(11.8)
    assert "not ended: still running, or cut off" in shown(made_of(path, marked_rep(1)))


# Words


def test_the_page_says_it_in_words(figures, session_id):
    text = shown(figures)
    for line in (
        "Bram  Mon 04 May 2026, 09:30, kitchen",
        f"session {session_id[:8]}, 1 min 30 s, ended by the time limit",
        "paused for 4 s",
        "1.2 s of sound lost: what was said then is not counted",
        "sit  step 2 to 3: three",
        "  ● ● ● ○ · x",
        "  3 of 5 correct: 60 % (95 % interval 23 to 88 %)",
        "  1 incorrect, 1 no response (1 cued again), 1 undone",
        "  cue-to-marker 2.0 s (median of 3)",
        "  5 treats owed; rate of reinforcement 5.2 a minute",
        "  0:34  raised to step 3: 3 of the last 3 correct (rule 4-3-2)",
        "  held 2 times: 2 of the last 2 correct, but the plan has no harder step",
        "brush  step 2 to 1: one",
        "  1:11  lowered to step 1: the dog opted out",
        "no reps: leave it, stay",
        "in all: 5 treats owed; rate of reinforcement 3.5 a minute",
        "1:20  end called for: the time limit",
        "1:03  rep 6: correct, corrected to no rep (undo)",
        "heard but not counted: inside a sentence 2, not sure enough 1",
        "1 spoken note kept",
    ):
        assert line in text.splitlines(), line


def test_the_page_fits_80_columns_and_never_says_latency(figures):
    text = shown(figures)
    assert max(map(len, text.splitlines())) <= 80
    assert "latency" not in text + keys.as_json(figures)
    assert "80 % correct is a convention of the trade, not science." in text


def test_a_terminal_without_unicode_gets_letters(figures):
    text = shown(figures, encoding="ascii")
    assert "  + + + - . x" in text.splitlines()


def test_names_are_never_taken_for_markup(path):
    text = shown(made_of(path, marked_rep(1), dog="[red]Bram[/red]"))
    assert text.startswith("[red]Bram[/red]")


def test_no_reps_says_so(path):
    text = shown(made_of(path))
    assert "no reps: sit, leave it, stay, brush" in text
    assert "%" not in text
    with Store.open(path) as store:
        store.begin(start())
        store.add_rep(marked_rep(1))
        store.add_correction(Correction(1, Outcome.CORRECT, None, "undo", 15.0))
        assert "  no reps (1 undone)" in shown(summarise(store.session_log())).splitlines()


def test_every_reason_has_its_words():
    for because in Because:
        told = words.why(Decision(Choice.HOLD, because, 1.0, "sit", 2, 2, (1, 2, 3), 2, "4-3-2"))
        assert re.fullmatch(r"[a-z0-9 ,()-]+", told), told
    assert set(words.IGNORED) == set(Reason)
    assert set(words.ENDS) == set(EndReason)
    assert set(words.OUTCOMES) == set(Outcome)


def test_an_opt_out_at_the_first_step_reads_as_what_it_is():
    told = words.why(Decision(Choice.END, Because.FIRST_STEP, 1.0, "nails", 1, 1, (12,), 0, "4-3-2"))
    assert told == "one miss, and no step is easier"


# Cautions


def test_a_plain_session_has_no_caution(path):
    assert words.cautions(made_of(path, marked_rep(1))) == []


@pytest.mark.parametrize("tag", ["handling", "guarding"])
def test_handling_and_guarding_come_with_the_way_to_help(path, tag):
    plan = small_plan()
    tagged = [one for one in plan.behaviours if one.tag == "handling"]
    behaviours = tuple(type(one)(one.name, one.cues, tag=type(one.tag)(tag)) for one in tagged)
    (caution,) = words.cautions(made_of(path, marked_rep(1, behaviour="brush"), behaviours=behaviours))
    assert caution.startswith(f"brush: {tag}.")
    for part in ("space", "vet first, to rule out pain", "licensed behaviour professional", "Local law"):
        assert part in caution
    assert words.cautions(made_of(path, behaviours=behaviours)) == []  # in the plan, but not trained this time


@pytest.mark.parametrize("ignored", [False, True])
def test_the_safety_word_comes_with_the_way_to_help(path, ignored):
    word = heard("growling", 65.0)
    said = Ignored(word, Role.SAFETY, Reason.UNSURE) if ignored else SessionEvent(word, Role.SAFETY)
    (caution,) = words.cautions(made_of(path, marked_rep(1), words=[LogWord(said)]))
    assert caution.startswith("The safety word was heard at 1:05.")
    assert "give the dog space" in caution
    assert "vet first" in caution


# JSON


def names(value) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(names, value.values()))
    return set().union(*map(names, value)) if isinstance(value, list) else set()


def test_the_json_holds_the_figures_under_documented_keys(figures, session_id):
    document = json.loads(keys.as_json(figures))
    undocumented = {name for name in names(document) if not re.search(rf"\b{name}\b", keys.__doc__)}
    assert undocumented == {"in_a_sentence", "unsure"}  # reasons, under "ignored"
    assert document["format"] == "handsfree summary 1"
    assert document["session"]["id"] == session_id
    assert document["session"]["started_at"] == "2026-05-04T09:30:15.250+00:00"
    assert document["session"]["end_reason"] == "time"
    sit = document["behaviours"][0]
    assert sit["outcomes"] == ["correct", "correct", "correct", "incorrect", "no_response", None]
    assert (sit["rate"], sit["cue_to_marker_s"], sit["rewards_per_minute"]) == (0.6, 2.0, 5.19)
    assert document["behaviours"][1]["rate_low"] is None
    assert [one["at_s"] for one in document["decisions"]] == [34.8, 40.0, 50.0, 71.8, 80.0]
    assert document["decisions"][0]["words"] == "3 of the last 3 correct (rule 4-3-2)"
    assert document["corrections"][0]["after"] is None
    assert document["ignored"] == {"in_a_sentence": 2, "unsure": 1}


# The command


def run(*arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments], catch_exceptions=True)


def test_the_command_shows_the_last_session_or_the_one_named(path, session_id):
    for arguments in ([], [session_id[:6]]):
        result = run(*arguments, "--log", path)
        assert result.exit_code == 0, result.output
        assert f"session {session_id[:8]}" in result.output
    assert json.loads(run("--json", "--log", path).output)["rewards"] == 5


def test_the_command_lists_sessions(path, session_id):
    with Store.open(path) as store:
        later = store.begin(start(dog="Ulla"))
    lines = run("--list", "--log", path).output.splitlines()
    assert [line.split()[0] for line in lines] == ["session", later[:8], session_id[:8]]
    assert lines[2].split() == [session_id[:8], "2026-05-04", "09:30", "Bram", "6", "50", "%", "1:30", "time"]
    listed = json.loads(run("--list", "--json", "--dog", "bram", "--log", path).output)
    assert [(one["id"], one["reps"], one["correct"]) for one in listed] == [(session_id, 6, 3)]
    assert run("--list", "--dog", "Nobody", "--log", path).output == "no sessions of Nobody yet\n"


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["zz"], "no session 'zz'; `handsfree summary --list` shows them all"),
        (["zz", "--dog", "Bram"], "--dog: a SESSION is of one dog already"),
        (["--dog", "Nobody"], "no session of Nobody; there are: Bram"),
    ],
)
def test_what_the_command_refuses(path, session_id, arguments, line):
    error = run(*arguments, "--log", path).exception
    assert isinstance(error, UserError)
    assert line in str(error)


def test_without_a_log_it_says_how_to_get_one(tmp_path):
    error = run("--log", tmp_path / "none.db").exception
    assert isinstance(error, UserError)
    assert "no log there yet; run a session first" in str(error)
    assert list(tmp_path.iterdir()) == []

"""Old sessions again: the same reps to the byte, other rules, and operating characteristics against theory."""

from __future__ import annotations

import itertools
import json
import math
import random
from collections.abc import Collection
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, nbinom

from demo.simulate import domino
from handsfree import places, replaying
from handsfree.cli import handsfree
from handsfree.core import criteria
from handsfree.core.criteria import Standing, Verdict
from handsfree.core.errors import UserError
from handsfree.core.events import (
    Because,
    Breath,
    Choice,
    CorrectRep,
    Decision,
    EndReason,
    LogWord,
    Outcome,
    Rep,
    SaveRep,
)
from handsfree.core.log import JudgedRep, Session, SessionLog, SessionStart, TrainedBehaviour
from handsfree.core.operating import TooManyStates, characteristics, estimated
from handsfree.core.plan import PRESETS, Behaviour, Limits, SequentialRule, Tag, WindowRule
from handsfree.core.replay import Rules, as_bytes, counted, decide, differences, replay, steps_at_start
from handsfree.core.sitting import Sitting
from handsfree.edges import planfile
from handsfree.edges.audio import read_file
from handsfree.edges.store import Store
from handsfree.running import run_session
from handsfree.watching import Nobody
from tests.bench.sessions import SESSIONS
from tests.helpers import INSTRUCTIONS, say, sitting, small_plan, wait
from tests.logs import STARTED, marked_rep, start
from tests.test_sessions import DEMO, TRUTHS, perfectly_heard
from tests.test_trial_properties import breaths, said


def as_log(
    effects,
    end_s: float,
    reason: EndReason = EndReason.SOUND_ENDED,
    plan_text: str = "",
    raised_today: Collection[str] = (),
    **steps: int,
) -> SessionLog:
    """A session as the log would hold it."""
    got = counted(effects)
    behaviours = tuple(
        TrainedBehaviour(name, Tag.PLAIN, 1, (), step, name in raised_today) for name, step in steps.items()
    )
    session = Session(
        *("0" * 32, "Bram", "", "", STARTED, plan_text, "", "0.1.0", "en", "", "microphone", behaviours),
        ended_s=end_s,
        end_reason=reason,
    )
    judged = tuple(JudgedRep(rep, rep.outcome) for rep in got.reps)
    return SessionLog(session, got.words, judged, got.rewards, got.decisions)


# Byte for byte


short_limits = st.builds(
    Limits,
    time_s=st.sampled_from([20.0, 60.0, 1000.0]),
    handling_time_s=st.sampled_from([5.0, 60.0]),
    reps_per_behaviour=st.sampled_from([3, 10]),
    treats=st.sampled_from([None, 2, 6]),
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(said, max_size=40),
    st.lists(st.floats(0.0, 1.0), min_size=40, max_size=40),
    st.lists(st.tuples(st.floats(0, 60), st.floats(0.1, 3)), max_size=4),
    st.fixed_dictionaries({name: st.integers(1, 3) for name in ("sit", "leave it", "stay", "brush")}),
    st.sets(st.sampled_from(["sit", "brush"])),
    short_limits,
)
def test_whatever_was_said_the_log_gives_the_same_session_again(script, shares, prompts, steps, raised_today, limits):
    plan = small_plan(limits=limits)
    live = Sitting(plan, INSTRUCTIONS, steps, raised_today)
    for start_s, length_s in prompts:
        live.prompt_played(start_s, start_s + length_s)
    effects, until_s = [], 0.0
    for breath, share in zip(breaths(script), shares, strict=False):
        effects += live.hear(Breath((), until_s + share * (breath.words[0].start_s - until_s)))
        effects += live.hear(breath)
        until_s = breath.settled_s
    effects += live.end(live.settled_s, EndReason.SOUND_ENDED)
    log = as_log(effects, live.settled_s, raised_today=raised_today, **steps)
    again = replay(log, plan)
    assert differences(log, again) == []
    assert again.words == log.words
    assert list(again.corrections) == [e.correction for e in effects if isinstance(e, CorrectRep)]


@settings(max_examples=150, deadline=None)
@given(st.lists(said, min_size=1, max_size=30), st.data())
def test_a_session_cut_off_anywhere_is_replayed_up_to_there(script, data):
    live = sitting()
    effects = [effect for breath in breaths(script) for effect in live.hear(breath)]
    kept = effects[: data.draw(st.integers(0, len(effects)))]
    times = [e.heard.word.end_s for e in kept if isinstance(e, LogWord)]
    times += [e.rep.end_s for e in kept if isinstance(e, SaveRep)]
    log = as_log(kept, max(times, default=0.0), EndReason.INTERRUPTED)
    again = replay(log, small_plan())
    assert differences(log, again) == []
    assert abs(len(again.reps) - len(log.reps)) <= 1


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda path: path.stem)
def test_every_known_session_perfectly_heard(truth):
    live, effects = perfectly_heard(truth)
    log = as_log(effects, live.settled_s, plan_text=planfile.read_text(truth.parent / "plan.toml"))
    assert len(log.reps) >= 20
    assert replaying.verify(log) == []


def test_a_second_session_of_the_day_holds_handling_back_and_so_does_its_replay(tmp_path):
    """What was raised that day comes from the log, and stands in it from then on: so replay asks no other session."""
    plan, raises = small_plan(), []
    script = [word for at_s in range(0, 60, 10) for word in (("brush", at_s + 1.0), ("yes", at_s + 2.0))]
    with Store.open(tmp_path / "log.db") as store:
        for later in (timedelta(), timedelta(hours=5), timedelta(days=1)):
            raised_today = store.raised_on(plan.dog, (STARTED + later).date())
            live = Sitting(plan, INSTRUCTIONS, store.current_steps(plan.dog) or {"brush": 1}, raised_today)
            begun = replace(start(STARTED + later), steps=live.trial.steps, raised_today=raised_today)
            session_id = store.begin(begun)
            made = counted(say(live, *script))
            for values, add in (
                (made.words, store.add_word),
                (made.reps, store.add_rep),
                (made.rewards, store.add_reward),
                (made.decisions, store.add_decision),
            ):
                for value in values:
                    add(value)
            store.end(session_id, EndReason.ASKED, live.settled_s)
            log = store.session_log(session_id)
            assert differences(log, replay(log, plan)) == []
            raises.append([one.new_step for one in log.decisions if one.choice is Choice.RAISE])
            held = [one for one in log.decisions if one.because is Because.NO_HASTE]
            assert bool(held) == (not raises[-1])
    assert raises == [[2], [], [3]]


@pytest.mark.ear
@pytest.mark.parametrize("sound", [DEMO / "session.ogg", SESSIONS / "mixed-4.ogg"], ids=lambda path: path.stem)
def test_sessions_through_the_real_ear_and_log(sound, tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    log_path, plan_path = tmp_path / "log.db", sound.parent / "plan.toml"
    plan = planfile.load(plan_path)
    name = plan.behaviours[-1].name
    with Store.open(log_path) as store:  # earlier that day
        session_id = store.begin(SessionStart(plan, "", STARTED, "0.1.0", "en"))
        store.add_decision(Decision(Choice.RAISE, Because.WINDOW, 60.0, name, 1, 2))
        store.end(session_id, EndReason.ASKED, 70.0)
    for day in range(2):  # the second begins at the steps that the first reached
        run_session(
            plan,
            plan_text=planfile.read_text(plan_path),
            log_path=log_path,
            watcher=Nobody(),
            started_at=STARTED + timedelta(days=day, hours=1),
            recording=sound,
            fast=True,
            silent=True,
        )
    with Store.open(log_path, read_only=True) as store:
        *logs, _ = (store.session_log(totals.session.id) for totals in store.sessions())
    assert [log.session.raised_today for log in logs] == [set(), {name}]
    assert all(len(log.reps) >= 17 for log in logs)
    assert [replaying.verify(log) for log in logs] == [[], []]
    again = replaying.heard_again(logs[0], read_file(sound))
    assert [as_bytes(rep) for rep in again.reps] == [as_bytes(judged.rep) for judged in logs[0].reps]


def test_every_simulated_session():
    logs = list(domino(weeks=4))
    assert [(log.session.id, replaying.verify(log)) for log in logs if replaying.verify(log)] == []
    assert sum(len(log.reps) for log in logs) > 500


def test_a_log_that_was_tampered_with_is_told():
    log = next(domino())
    first, *others = log.reps
    changed = replace(log, reps=(replace(first, rep=replace(first.rep, end_s=first.rep.end_s + 0.001)), *others))
    (line,) = replaying.verify(changed)
    assert line.startswith("rep 1: stored ")
    assert replaying.verify(replace(log, reps=log.reps[:-1]))[-1].endswith(f"reps stored, {len(log.reps)} replayed")
    assert replaying.verify(replace(log, decisions=())) != []


def test_steps_at_the_start_come_from_the_first_rep_or_decision():
    # an uncued rep takes the step in force at its marker, though its time begins before
    live = sitting(stay=2)
    effects = say(live, ("notebook now sit", 1.0), ("notebook next step", 3.0), ("yes", 9.0), ("stay", 20.0))
    effects += wait(live, 100.0)
    got = counted(effects)
    assert [(rep.behaviour, rep.step) for rep in got.reps] == [("sit", 3), ("stay", 2)]
    assert steps_at_start(as_log(effects, 100.0)) == {"sit": 2, "stay": 2}
    assert steps_at_start(as_log(effects, 100.0, brush=3)) == {"sit": 2, "stay": 2, "brush": 3}


def test_a_session_without_a_plan_cannot_be_replayed():
    with pytest.raises(UserError, match="its plan was not stored"):
        replaying.plan_of(as_log([], 1.0))


def test_a_model_that_is_gone_does_not_keep_a_plan_from_being_recalled():
    text = 'dog = "Bram"\n[ear]\nmodel = "/nowhere"\n[[behaviour]]\nname = "sit"\ncues = ["sit"]\n'
    assert planfile.recall(text, "ab" * 16).behaviour("sit").cues == ("sit",)
    with pytest.raises(UserError, match=r"plan of session abababab:2: dg: unknown key"):
        planfile.recall(text.replace("[ear]", "dg = 1\n[ear]"), "ab" * 16)


# Other rules


def misses_and_hits(outcomes: str, plan):
    """A rep each 6 s: y marked, n error word."""
    live = sitting(plan)
    effects = []
    for number, outcome in enumerate(outcomes):
        effects += say(live, ("sit", 6.0 * number), ("yes" if outcome == "y" else "oops", 6.0 * number + 1.5))
    end_s = 6.0 * len(outcomes)
    return as_log([*effects, *live.end(end_s, EndReason.ASKED)], end_s)


def moves(decisions):
    return [(d.reps[-1] if d.reps else None, d.choice, d.because, d.new_step) for d in decisions if d.choice != "hold"]


def test_other_rules_decide_at_other_reps():
    plan = small_plan(limits=Limits(reps_per_behaviour=100, time_s=1000))
    log = misses_and_hits("yyyynyyyyyyy", plan)
    # 4 of 5 raises at rep 5; afterwards sit is at the top step
    assert moves(log.decisions) == [(5, Choice.RAISE, Because.WINDOW, 3)]
    # 5 of 5: reps 6 to 10
    all_five = Rules("five", default=PRESETS["5-3-2"])
    assert moves(replay(log, plan, all_five).decisions) == [(10, Choice.RAISE, Because.WINDOW, 3)]
    # Wald .5/.8/.05/.05: +0.470 a success, -0.916 a miss, bound 2.944: 9 successes and a miss reach 3.314 at rep 10
    wald = Rules("wald", behaviours={"sit": PRESETS["sequential"]})
    assert moves(replay(log, plan, wald).decisions) == [(10, Choice.RAISE, Because.SEQUENTIAL, 3)]
    # a rule for another behaviour changes nothing
    other = Rules("other", behaviours={"stay": PRESETS["sequential"]})
    assert replay(log, plan, other).decisions == log.decisions
    assert [rep.outcome for rep in replay(log, plan, wald).reps] == [judged.outcome for judged in log.reps]


def test_other_limits_end_at_other_times():
    plan = small_plan(limits=Limits(reps_per_behaviour=100, time_s=1000))
    log = misses_and_hits("yyn" * 7, plan)
    assert [d for d in log.decisions if d.choice is Choice.END] == []
    ends = [
        (d.because, d.at_s)
        for limits in ({"time_s": 40.0}, {"reps_per_behaviour": 4}, {"treats": 2})
        for d in replay(log, plan, Rules("r", limits=limits)).decisions
        if d.choice is Choice.END
    ]
    assert ends == [(Because.TIME, 40.0), (Because.REPS, 19.9), (Because.TREATS, 7.5)]


def test_decide_is_the_rule_alone():
    outcomes = [Outcome.CORRECT] * 5 + [Outcome.INCORRECT] * 2
    reps = [marked_rep(number, outcome=outcome) for number, outcome in enumerate(outcomes, start=1)]
    made = decide(reps, PRESETS["4-3-2"])
    assert [(d.reps[-1], d.choice, d.because, d.new_step) for d in made] == [
        (5, Choice.RAISE, Because.WINDOW, None),
        (7, Choice.LOWER, Because.MISSES_IN_A_ROW, None),
    ]
    assert (made[0].correct, made[0].behaviour, made[0].step, made[0].at_s) == (5, "sit", 2, reps[4].end_s)
    # a rep taken back does not count, a corrected one counts as corrected, and a new step begins afresh
    judged = [JudgedRep(reps[0], None), *(JudgedRep(rep, Outcome.CORRECT) for rep in reps[1:])]
    assert [d.reps for d in decide(judged, PRESETS["4-3-2"])] == [(2, 3, 4, 5, 6)]
    assert decide([*reps[:4], replace(reps[4], step=3)], PRESETS["4-3-2"]) == ()
    two = [replace(rep, behaviour=name) for rep, name in zip(reps, itertools.cycle(("sit", "stay")))]
    assert decide(two, PRESETS["4-3-2"]) == ()


@given(st.lists(st.sampled_from(list(Outcome)), max_size=40), st.sampled_from(list(PRESETS.values())))
def test_decide_says_what_a_session_says_until_the_first_move(outcomes, rule):
    """After a move the session has its own views: nothing twice in a row, no step beyond the last."""
    steps = tuple("abcdefghi")
    plan = replace(small_plan(), behaviours=(Behaviour("sit", ("sit",), steps=steps, start_step=5, rule=rule),))
    progress, session = criteria.start(plan), []
    reps = [Rep(n, "sit", 5, outcome, 5.0 * n, 5.0 * n + 2) for n, outcome in enumerate(outcomes, start=1)]
    for rep in reps:
        progress, decisions = criteria.after_rep(progress, plan, rep)
        session += [
            (d.at_s, d.choice, d.because, d.reps, d.correct) for d in decisions if d.because is not Because.REPS
        ]
    alone = [(d.at_s, d.choice, d.because, d.reps, d.correct) for d in decide(reps, rule)]
    first = next((at for at, one in enumerate(session, start=1) if one[1] is not Choice.HOLD), len(session))
    assert alone[:first] == session[:first]


# Operating characteristics


@pytest.mark.parametrize("p", [0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
@pytest.mark.parametrize("name", ["4-3-2", "5-3-2", "8-of-10", "12-of-15"])
def test_the_first_window_is_binomial(name, p):
    """Reference: the binomial distribution of scipy."""
    rule = replace(PRESETS[name], misses_in_a_row=0)
    first = characteristics(rule, p, horizon=rule.window)
    assert first.raises == pytest.approx(binom.sf(rule.raise_at - 1, rule.window, p), abs=1e-12)
    assert first.lowers == pytest.approx(binom.cdf(rule.lower_at, rule.window, p), abs=1e-12)
    assert first.reps == pytest.approx(rule.window)


@pytest.mark.parametrize("p", [0.3, 0.8, 0.95])
def test_a_run_of_successes_takes_as_long_as_theory_says(p):
    """Expected trials until n successes in a row: (1 - p^n) / ((1 - p) p^n). Feller 1968, An Introduction to
    Probability Theory and Its Applications, vol. 1, section XIII.7."""
    rule = WindowRule("five in a row", window=5, raise_at=5, lower_at=-1, misses_in_a_row=0)
    found = characteristics(rule, p, horizon=100_000)
    assert found.raises == pytest.approx(1.0)
    assert found.reps == pytest.approx((1 - p**5) / ((1 - p) * p**5))


@pytest.mark.parametrize(
    ("p", "by_trials"),
    [
        # P(at least one pair of misses in a row) within 5, 10, 20 trials: computed by the recursion for runs.
        (0.8, {5: 0.1347, 10: 0.2733, 20: 0.4875}),
        (0.9, {5: 0.0369, 10: 0.0803, 20: 0.1612}),
        (0.95, {5: 0.0096, 10: 0.0214, 20: 0.0445}),
        (0.5, {5: 0.5938, 10: 0.8594, 20: 0.9831}),
    ],
)
def test_two_misses_in_a_row_come_as_often_as_theory_says(p, by_trials):
    rule = WindowRule("misses only", window=30, raise_at=31, lower_at=-1, misses_in_a_row=2)
    found = characteristics(rule, p, horizon=20)
    for trials, expected in by_trials.items():
        assert found.decided_within(trials) == pytest.approx(expected, abs=5.1e-5)


def brute_force(rule, p, horizon):
    """Every sequence of outcomes, judged as a session judges it."""
    behaviour = Behaviour("", (), rule=rule)
    raises = lowers = reps = 0.0
    for bits in itertools.product((True, False), repeat=horizon):
        chance = math.prod(p if bit else 1 - p for bit in bits)
        verdicts = tuple(Verdict(n, Outcome.CORRECT if bit else Outcome.INCORRECT) for n, bit in enumerate(bits, 1))
        for count in range(1, horizon + 1):
            judged = criteria.judge(behaviour, Standing(1, verdicts[:count]))
            if judged is not None and judged[0] is not Choice.HOLD:
                raises += chance * (judged[0] is Choice.RAISE)
                lowers += chance * (judged[0] is Choice.LOWER)
                break
        reps += chance * count
    return raises, lowers, reps


@pytest.mark.parametrize(
    "rule",
    [
        *PRESETS.values(),
        WindowRule("long memory", window=3, raise_at=3, lower_at=-1, misses_in_a_row=5),
        SequentialRule("no runs", misses_in_a_row=0),
        SequentialRule("three", 0.6, 0.9, 0.1, 0.1, misses_in_a_row=3),
    ],
    ids=lambda rule: rule.name,
)
@pytest.mark.parametrize("p", [0.5, 0.85])
def test_the_chain_agrees_with_every_sequence_walked_one_by_one(rule, p):
    found = characteristics(rule, p, horizon=11)
    assert (found.raises, found.lowers, found.reps) == pytest.approx(brute_force(rule, p, 11), abs=1e-12)


@pytest.mark.parametrize(
    ("rule", "asn_low", "asn_high"),
    [
        # Average sample numbers at the two rates by Wald's approximation (Wald 1945, Ann. Math. Stat. 16:117-186),
        # computed from the formula and rounded to two places.
        (SequentialRule("training", 0.5, 0.8, 0.05, 0.05, misses_in_a_row=0), 11.88, 13.75),
        (SequentialRule("textbook", 0.1, 0.3, 0.02, 0.03, misses_in_a_row=0), 28.70, 23.82),
    ],
)
def test_the_sequential_test_keeps_walds_promises(rule, asn_low, asn_high):
    low, high = characteristics(rule, rule.low, horizon=5000), characteristics(rule, rule.high, horizon=5000)
    # Wald's inequalities for the true chances of error
    assert low.raises <= rule.false_raise / (1 - rule.false_lower)
    assert high.lowers <= rule.false_lower / (1 - rule.false_raise)
    assert low.raises + high.lowers <= rule.false_raise + rule.false_lower
    hit, miss, lower, upper = criteria.wald(rule)
    for found, p, approximate in ((low, rule.low, asn_low), (high, rule.high, asn_high)):
        assert found.undecided < 1e-9
        # Wald's identity E[n] E[z] = E[S_n], where the last step may carry S_n beyond a bound by less than one step
        drift = p * hit + (1 - p) * miss
        at_bounds = found.raises * upper + found.lowers * lower
        ends = sorted((at_bounds + found.lowers * miss, at_bounds + found.raises * hit))
        expected = sorted(end / drift for end in ends)
        assert expected[0] <= found.reps <= expected[1]
        # the published approximation leaves that excess out, and takes the nominal chances of error
        nominal = ((1 - rule.false_raise) * lower + rule.false_raise * upper) / (rule.low * hit + (1 - rule.low) * miss)
        if found is low:
            assert nominal == pytest.approx(approximate, abs=0.005)
        assert found.reps == pytest.approx(approximate, rel=0.2)


def test_the_sequential_test_without_chance():
    # All right: raised at the 7th; all wrong: lowered at the 4th (Wald's bounds at .50/.80/.05/.05).
    rule = SequentialRule("training", misses_in_a_row=0)
    always, never = characteristics(rule, 1.0), characteristics(rule, 0.0)
    assert (always.raises, always.reps, always.decided_within(6), always.decided_within(7)) == (1, 7, 0, 1)
    assert (never.lowers, never.reps) == (1, 4)


def test_the_first_success_is_geometric():
    """A window of one that never lowers: reference nbinom of scipy with one success."""
    rule = WindowRule("one", window=1, raise_at=1, lower_at=-1, misses_in_a_row=0)
    found = characteristics(rule, 0.3)
    assert found.reps == pytest.approx(1 / 0.3)
    assert [found.decided_within(n) for n in (1, 2, 10)] == pytest.approx(
        [nbinom.cdf(n - 1, 1, 0.3) for n in (1, 2, 10)]
    )


def test_what_cannot_be_exact_is_estimated_and_says_so():
    rule = WindowRule("wide", window=40, raise_at=30, lower_at=20, misses_in_a_row=0)
    with pytest.raises(TooManyStates):
        characteristics(rule, 0.75)
    found = replaying.operating(rule, 0.75)
    assert (found.exact, found.runs) == (False, 2_000)
    assert found == replaying.operating(rule, 0.75)
    # within the first window it is binomial; 4 standard errors of 2,000 runs
    first = binom.sf(29, 40, 0.75) + binom.cdf(20, 40, 0.75)
    assert found.decided_within(40) == pytest.approx(first, abs=4 * math.sqrt(first * (1 - first) / 2_000))


def test_the_estimate_agrees_with_the_chain():
    for rule in (PRESETS["8-of-10"], PRESETS["sequential"]):
        exact = characteristics(rule, 0.8)
        played = estimated(rule, 0.8, random.Random(1).random, runs=20_000)
        error = math.sqrt(exact.raises * (1 - exact.raises) / 20_000)
        assert played.raises == pytest.approx(exact.raises, abs=4 * error)
        assert played.reps == pytest.approx(exact.reps, rel=0.03)


def test_a_probability_must_be_one():
    with pytest.raises(ValueError, match="between 0 and 1"):
        characteristics(PRESETS["4-3-2"], 1.2)


# Rules files


def test_a_rules_file_says_only_what_it_changes(tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(
        'rule = "5-3-2"\n[limits]\ntime_s = 60\n[[behaviour]]\nname = "stay"\n'
        "rule = { window = 3, raise_at = 3, lower_at = 1 }\n"
    )
    rules = planfile.load_rules(path, {"sit", "stay"})
    own = WindowRule("own 3/1 of 3", 3, 3, 1)
    assert rules == Rules("rules.toml", PRESETS["5-3-2"], {"stay": own}, {"time_s": 60.0})
    plan = small_plan(limits=Limits(treats=9))
    changed = rules.applied_to(plan)
    assert [b.rule for b in changed.behaviours] == [PRESETS["5-3-2"], PRESETS["5-3-2"], own, PRESETS["5-3-2"]]
    assert changed.limits == Limits(time_s=60.0, treats=9)
    assert replace(changed, behaviours=plan.behaviours, limits=plan.limits) == plan
    (tmp_path / "limits.toml").write_text("[limits]\ntreats = 3\n")
    only_limits = planfile.load_rules(tmp_path / "limits.toml").applied_to(plan)
    assert (only_limits.behaviours, only_limits.limits) == (plan.behaviours, Limits(treats=3))


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ('rule = "4-3-1"\n', ['rules.toml:1: rule: "4-3-1" is not known; did you mean "4-3-2"?']),
        ('dog = "Bram"\n', ["rules.toml:1: dog: unknown key; known here: rule, limits, behaviour"]),
        ("time_s = 5\n", ["rules.toml:1: time_s: unknown key; it belongs under [limits]"]),
        (
            '\n[[behaviour]]\nname = "stnd"\nrule = "5-3-2"\n[[behaviour]]\ncues = ["sit"]\n',
            [
                'rules.toml:3: behaviour[1].name: no session has a behaviour "stnd"; there are: sit, stay',
                'rules.toml:5: behaviour[2].name: is missing; write name = "..." as in the plan',
                "rules.toml:5: behaviour[2].rule: is missing; give the rule to try on this behaviour",
                "rules.toml:6: behaviour[2].cues: unknown key; known here: name, rule",
            ],
        ),
        (
            '[limits]\ntime_s = -1\n[[behaviour]]\nname = "sit"\nrule = { window = 3, raise_at = 9, lower_at = 1 }\n',
            [
                "rules.toml:2: limits.time_s: -1 is out of range; write a number from 1 to 86400",
                "rules.toml:5: behaviour[1].rule.raise_at: 9 of 3 reps is impossible; lower it, or widen window",
            ],
        ),
        ("# nothing\n", ["rules.toml:1: there is no rule in it; a rules file is TOML with"]),
        ("rule = \n", ["rules.toml:1: column 8: invalid value; a rules file is TOML with"]),
        ("", ["rules.toml: the file is empty; a rules file is TOML with"]),
        (None, ["rules.toml: there is no such file; a rules file is TOML with"]),
    ],
)
def test_every_fault_of_a_rules_file_has_file_line_and_key(tmp_path, text, faults):
    path = tmp_path / "rules.toml"
    if text is not None:
        path.write_text(text)
    with pytest.raises(UserError) as caught:
        planfile.load_rules(path, {"sit", "stay"})
    lines = str(caught.value).replace(f"{tmp_path}/", "").split("\n")
    assert len(lines) == len(faults)
    for line, fault in zip(lines, faults, strict=True):
        assert line.startswith(fault)


# The command


@pytest.fixture(scope="module")
def simulated(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("simulated") / "domino.db"
    with Store.open(path) as store:
        store.add_whole(list(domino(weeks=2)))
    return path


def run(*args, code=0) -> str:
    done = CliRunner().invoke(handsfree, ["replay", *map(str, args)])
    assert (done.exit_code, done.exception if code == 0 else None) == (code, None), done.output
    return done.output


def test_verify_says_how_much_was_checked(simulated):
    found = json.loads(run("--all", "--verify", "--json", "--log", simulated))
    assert found["differences"] == {}
    assert run("--all", "--verify", "--log", simulated) == (
        f"sessions {found['sessions']}, reps {found['reps']}: all as stored, to the byte\n"
    )


def test_verify_fails_on_a_rep_that_was_changed(simulated, tmp_path):
    import sqlite3

    path = tmp_path / "changed.db"
    path.write_bytes(simulated.read_bytes())
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE reps SET outcome = 'incorrect' WHERE number = 1 AND outcome = 'correct'")
    assert "rep 1: stored" in run("--all", "--verify", "--log", path, code=1)


def test_rules_beside_what_was_made(simulated, tmp_path):
    rules, other = tmp_path / "stricter.toml", tmp_path / "wald.toml"
    rules.write_text('rule = "5-3-2"\n')
    other.write_text('rule = "sequential"\n')
    found = json.loads(run("--all", "--rules", rules, "--compare", other, "--json", "--log", simulated))
    with Store.open(simulated, read_only=True) as store:
        logs = [store.session_log(session["id"]) for session in found["sessions"]]
    for log, session in zip(logs, found["sessions"], strict=True):
        assert set(session["decisions"]) == {"made", "stricter.toml", "wald.toml"}
        assert len(session["decisions"]["made"]) == len(log.decisions)
        stricter = replay(log, replaying.plan_of(log), Rules("s", PRESETS["5-3-2"]))
        assert [d["choice"] for d in session["decisions"]["stricter.toml"]] == [d.choice for d in stricter.decisions]
    (first, second) = found["operating_characteristics"]
    assert (first["rule"], second["rule"]) == ("5-3-2", "sequential")
    assert [point["p"] for point in first["points"]] == [0.5, 0.6, 0.7, 0.8, 0.9, 0.95]
    text = run("--all", "--rules", rules, "--compare", other, "--log", simulated)
    for word in ("stricter.toml", "wald.toml", "raise to step 2: window", "what it would have done there", "0.083"):
        assert word in " ".join(text.split())


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ([], "say what to try"),
        (["--verify", "--rules", "x"], "say what to try"),
        (["--verify", "--compare", "x"], "--compare: name the first file of rules"),
        (["--verify", "--model", "x"], "--model and --confidence: only for hearing"),
        (["abc", "--all", "--verify"], "leave the session's id out"),
        (["--all", "--sound", "x.wav"], "name that one"),
        (["nosuch", "--verify"], "no session 'nosuch'"),
        (["--sound", "nosuch.wav"], "nosuch.wav"),
        (["--sound", "kept"], "no sound is kept of session"),
        (["--rules", "nosuch.toml"], "there is no such file"),
    ],
)
def test_what_cannot_be_done_is_said(simulated, args, said, tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    done = CliRunner().invoke(handsfree, ["replay", "--log", str(simulated), *args])
    assert isinstance(done.exception, UserError)
    assert said in str(done.exception)


@pytest.mark.ear
def test_another_ear_lists_the_reps_that_differ(tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    sound = SESSIONS / "9a69672b.ogg"
    plan_path = SESSIONS / "plan.toml"
    run_session(
        planfile.load(plan_path),
        plan_text=planfile.read_text(plan_path),
        log_path=tmp_path / "log.db",
        watcher=Nobody(),
        started_at=STARTED,
        recording=sound,
        fast=True,
        silent=True,
        sound_dir=places.sound_dir(),
    )
    same = json.loads(run("--sound", sound, "--json", "--log", tmp_path / "log.db"))
    assert (same["differing"], same["same"] >= 20) == ([], True)
    deaf = json.loads(run("--sound", sound, "--confidence", "0.999", "--json", "--log", tmp_path / "log.db"))
    assert deaf["same"] + len(deaf["differing"]) >= same["same"]
    assert deaf["differing"] != []
    assert f"{deaf['same']} reps the same, {len(deaf['differing'])} not." in run(
        "--sound", sound, "--confidence", "0.999", "--log", tmp_path / "log.db"
    )
    kept = json.loads(run("--sound", "kept", "--json", "--log", tmp_path / "log.db"))  # around the reps, as Opus
    assert kept["same"] >= 0.9 * same["same"]
